"""Published arithmetic of a CCD or CMOS frame: pixel variance, signal to noise, dark current."""

from __future__ import annotations

from math import sqrt

DOUBLING_C = (5.0, 8.0)
"""Usual range of the temperature step that doubles the dark current, degrees C (common practice)."""

QUANTISATION = 0.289
"""Standard deviation of rounding to whole numbers, 1 / sqrt 12."""


def calibrated_variance(
    signal: float,
    flat: float,
    *,
    light_variance: float,
    bias_variance: float = 0.0,
    dark_variance: float = 0.0,
    flat_variance: float = 0.0,
    k: float = 1.0,
) -> float:
    """Return the variance of a calibrated pixel.

    var S = (var L + (1 - k)^2 var B + k^2 var D + S^2 var Fn) / Fn^2 for S = (L - B - k (D - B)) / Fn

    Parameters
    ----------
    signal : float
        S, the calibrated pixel.
    flat : float
        Fn, the normalised flat there, above 0.
    light_variance, bias_variance, dark_variance, flat_variance : float
        Of the light, the stacked bias, the stacked dark (both in the light's unit squared) and the normalised
        flat.
    k : float
        Factor on the dark. The bias enters twice, once through the scaled dark, hence (1 - k)^2.

    Examples
    --------
    >>> round(calibrated_variance(1245.4545, 1.1, light_variance=9.0, bias_variance=0.25, dark_variance=0.36,
    ...                           flat_variance=1e-6, k=0.5), 3)
    8.846
    """
    noise = light_variance + (1.0 - k) ** 2 * bias_variance + k * k * dark_variance
    return (noise + signal * signal * flat_variance) / (flat * flat)


def star_signal_to_noise(
    star_e: float,
    *,
    pixels: float,
    sky_pixels: float,
    sky_e: float,
    dark_e: float,
    read_noise_e: float,
    gain_e: float,
) -> float:
    """Return the signal to noise of a star in an aperture.

    S/N = N / sqrt(N + n (1 + n / n_B) (N_S + N_D + R^2 + G^2 0.289^2))

    Parameters
    ----------
    star_e : float
        N, electrons of the star.
    pixels, sky_pixels : float
        n of the aperture and n_B of the sky's.
    sky_e, dark_e, read_noise_e : float
        N_S and N_D, electrons of sky and dark current, and R, the read noise, all of one pixel.
    gain_e : float
        G, electrons in one step of the raw numbers.

    References
    ----------
    Merline & Howell (1995), Exp. Astron. 6, 163.

    Examples
    --------
    >>> round(star_signal_to_noise(10000.0, pixels=50, sky_pixels=500, sky_e=200.0, dark_e=5.0,
    ...                            read_noise_e=8.0, gain_e=1.5), 2)
    63.49
    """
    per_pixel = sky_e + dark_e + read_noise_e**2 + (gain_e * QUANTISATION) ** 2
    return star_e / sqrt(star_e + pixels * (1.0 + pixels / sky_pixels) * per_pixel)


def dark_residual(step_c: float, doubling_c: float) -> float:
    """Return the share of a dark's own signal that is wrong when light and dark differ in temperature.

    |2^(step / T_d) - 1|

    Parameters
    ----------
    step_c : float
        Temperature of the light less that of the dark, degrees C.
    doubling_c : float
        T_d, the step that doubles the dark current, degrees C; see `DOUBLING_C`.

    Examples
    --------
    >>> round(dark_residual(3.0, 5.0), 3), round(dark_residual(3.0, 8.0), 3)
    (0.516, 0.297)
    """
    return float(abs(2.0 ** (step_c / doubling_c) - 1.0))


def doubling_interval(dark_cold: float, dark_warm: float, step_c: float) -> float:
    """Return the temperature step that doubles the dark current, from two darks of one exposure.

    T_d = step ln 2 / ln(D2 / D1)

    Parameters
    ----------
    dark_cold, dark_warm : float
        Dark signal without bias, both above 0.
    step_c : float
        Temperature between them, degrees C.

    Examples
    --------
    >>> round(doubling_interval(0.02, 0.16, 20.0), 3)
    6.667
    """
    from math import log

    return step_c * log(2.0) / log(dark_warm / dark_cold)
