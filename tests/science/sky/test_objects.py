"""The mask of objects where a disc fills the height of the frame."""

import numpy as np
import pytest

from blend.science.sky.objects import object_mask


def ended_disc(shape, *, fill, peak, ratio):
    """A disc that ends at four scale lengths, its diameter ``fill`` of the height, in a pixel's noise."""
    rows, columns = shape
    y, x = np.mgrid[:rows, :columns].astype(np.float32)
    radius = np.hypot(x - columns / 2, (y - rows / 2) / ratio) / (fill * rows / 8)
    end = np.clip((4.3 - radius) / 0.6, 0.0, 1.0)
    return peak * (np.exp(-radius) * end + 3.0 * np.exp(-6.0 * radius))


@pytest.mark.parametrize(
    ("fill", "peak", "ratio"), [(1.0, 20.0, 1.0), (1.0, 60.0, 1.0), (1.1, 20.0, 0.8), (1.1, 60.0, 0.8)]
)
def test_the_sky_beside_a_disc_as_high_as_the_frame_is_not_the_object(fill, peak, ratio):
    light = ended_disc((300, 450), fill=fill, peak=peak, ratio=ratio)
    noise = np.random.default_rng(1).standard_normal(light.shape)
    masked = object_mask((light + noise + 100.0)[None].astype(np.float32))
    # A bent sky may follow the outskirts; then most of what is empty passes for bright: 0.83 to 0.89 of it.
    assert masked[light < 1e-3].mean() < 0.2
    assert light[~masked].mean() < 0.05
