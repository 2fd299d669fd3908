"""What a line master is worth: the factor that a run states beside signal and noise measured against the truth.

    python benchmarks/accuracy/worth.py [--nights 6]

A night is drawn twice with other noise. Noise of red, and of red with the unfaded emission: what two draws differ by
in the sky, in blocks. Signal: red holds the line once, the blend adds it ``amount`` times. The factor in exposure is
the square of the ratio of signal to noise, for line light so faint that its own photons do not count.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from blend.app.demo.demo import write_night
from blend.app.run import open_recipe, open_target, run_target
from blend.base.robust import bin_mean
from blend.science.simulated import SceneOptions, simulate_night

Array = NDArray[np.float64]
NIGHTS = (
    {"moon": 0.02, "ha_frames": 24},
    {"moon": 0.15, "ha_frames": 24},
    {"moon": 0.15, "ha_frames": 6},
    {"moon": 0.3, "ha_frames": 24, "rgb_frames": 20},
    {"moon": 0.3, "ha_frames": 6, "ha_scale": 0.8},
    {"moon": 0.1, "ha_frames": 12, "ha_grid": "same"},
)
EMPTY = 0.01
BIN = 4


def seen(
    folder: Path, options: dict[str, object], noise_seed: int, amount: float
) -> tuple[Array, Array, Array, float]:
    """Return red with the whole emission and alone, its weight, all in blocks, and the factor that the run states."""
    scene = SceneOptions(
        rows=600,
        columns=900,
        seed=41,
        noise_seed=noise_seed,
        calibrated=True,
        kind="nebula",
        stars_per_mpx=1200.0,
        **options,
    )
    path = write_night(simulate_night(scene), folder / f"masters-{noise_seed}")
    out = folder / f"out-{noise_seed}"
    settings = [
        "output.crop='none'",
        "output.formats=['fits']",
        "protect.stars=0",
        f"blend.red.amount={amount}",
    ]
    target = open_target(path)
    run_target(open_recipe("galaxy-moonlit", settings=settings, target=target), target, out=out, stages=True)
    record = json.loads((out / "record.json").read_text())
    red = fits.getdata(out / "stages" / "rgb-balanced.fits")[0]
    emission = fits.getdata(out / "emission.fits").squeeze()
    planes = (red + amount * emission, red, fits.getdata(out / "emission-weight.fits").squeeze())
    with_line, alone, weight = (bin_mean(np.asarray(plane, dtype=np.float32), BIN) for plane in planes)
    return with_line, alone, weight, float(record["worth"]["ha"]["exposure_factor"])


def _noise(difference: Array, where: NDArray[np.bool_]) -> float:
    """Return the noise of a difference, less what is smooth: the two nights' skies may lie apart."""
    steps = (difference[:, 2:] - difference[:, :-2])[where[:, 2:] & where[:, :-2]]
    return 0.7413 * float(np.subtract(*np.percentile(steps, [75, 25])))


def factors(options: dict[str, object], amount: float) -> tuple[float, float, int]:
    """Return the stated and the measured factor, and how many blocks measured it."""
    with tempfile.TemporaryDirectory() as name:
        (a, red_a, weight_a, told), (b, red_b, weight_b, _) = (
            seen(Path(name), options, seed, amount) for seed in (101, 202)
        )
    sky = np.isfinite(a + b + red_a + red_b) & (weight_a < EMPTY) & (weight_b < EMPTY)
    sky &= np.abs(red_a + red_b) < 6.0 * _noise(red_a + red_b, sky)  # no stars
    gain = 1.0 + amount
    noise = [_noise(x - y, sky) for x, y in ((a, b), (red_a, red_b))]
    return told, float((gain * noise[1] / noise[0]) ** 2), int(sky.sum())


def main() -> None:
    """Print the table, and exit with 1 where a factor is off by more than it states."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--nights", type=int, default=len(NIGHTS))
    count = parser.parse_args().nights
    print(f"{'night':<52} amount  stated  measured  off")
    worst = 0.0
    for number, options in enumerate(NIGHTS[:count]):
        amount = (1.0, 0.5, 2.0)[number % 3]
        told, measured, blocks = factors(dict(options), amount)
        off = told / measured - 1.0
        worst = max(worst, abs(off))
        words = ", ".join(f"{key} {value}" for key, value in options.items())
        print(f"{words:<52} {amount:5.1f} {told:7.2f} {measured:8.2f} {100 * off:+6.1f} %  ({blocks} blocks)")
    print(f"worst {100 * worst:.1f} % (bar 5)")
    raise SystemExit(worst > 0.05)


if __name__ == "__main__":
    main()
