"""What a master's facts say of the sky it looked at: where the Moon stood, and the slope it should have made."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from blend.base.master import Facts, Master
from blend.recipe.target import Target
from blend.science.moon import COLOURS_NM, H_ALPHA_NM, Conditions, SkyPlace, sky_places
from blend.science.sky import moon_shape

CONDITIONS = Conditions(zenith_mag=21.0)
"""Air and darkness of an average site; `blend moon` assumes the same."""


@dataclass(frozen=True)
class MoonFacts:
    """Where the Moon stood for one master; ``place`` is None where that cannot be told, ``why`` says why not."""

    place: SkyPlace | None
    why: str = ""

    def shape(self, master: Master, plane: str, line_nm: float | None) -> NDArray[np.float64] | None:
        """Return the predicted sky over the frame in one plane, see `moon_shape`; None where there is none."""
        if self.place is None:
            return None
        try:
            return moon_shape(
                self.place,
                CONDITIONS,
                wcs=master.facts.wcs,
                shape=master.shape,
                wavelength_nm=COLOURS_NM.get(plane, line_nm or H_ALPHA_NM),
            )
        except ValueError:
            return None


def moon_facts(master: Master) -> MoonFacts:
    """Return where the Moon stood in the middle of a stack, from its date, site and world coordinates.

    Where number and length of the exposures are known the middle of their sum is meant, else their begin.
    """
    facts = master.facts
    stated = {"date_obs": facts.date_obs, "site": facts.site, "world coordinates": facts.wcs}
    missing = [word for word, value in stated.items() if value is None]
    if missing:
        return MoonFacts(None, f"its header states no {' and no '.join(missing)}")
    try:
        return _placed(facts, master.shape)
    except ValueError as error:
        return MoonFacts(None, f"date, site and world coordinates do not go together ({error})")


def line_nm_of(target: Target, name: str) -> float | None:
    """Return the wavelength of a line's master, where the target states it."""
    files = target.masters.get(name)
    return files.line_nm if files is not None else None


def _placed(facts: Facts, shape: tuple[int, int]) -> MoonFacts:
    rows, columns = shape
    middle = facts.wcs.celestial.pixel_to_world((columns - 1) / 2.0, (rows - 1) / 2.0).icrs
    assert facts.site is not None
    places = sky_places(
        ra_deg=float(middle.ra.deg),
        dec_deg=float(middle.dec.deg),
        times=[_middle_time(facts)],
        site=facts.site,
    )
    if places[0].target_altitude_deg < 0.0:
        return MoonFacts(None, "by date, site and world coordinates the target was below the horizon")
    return MoonFacts(places[0])


def _middle_time(facts: Facts) -> datetime:
    begin = datetime.fromisoformat(str(facts.date_obs))
    if facts.exposure_s is None or facts.frames is None:
        return begin
    return begin + timedelta(seconds=0.5 * facts.exposure_s * facts.frames)
