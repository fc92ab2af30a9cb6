"""Image rays against circles, Snell's law and time migration's own limit: one velocity."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.model import VelocityField
from yewline.volume import image_ray_shift_m


def field_of(v: np.ndarray, z: np.ndarray, x: np.ndarray) -> VelocityField:
    values = np.broadcast_to(v[:, None, :], (len(z), 5, len(x)))
    return VelocityField(z, np.linspace(0.0, 4.0, 5), x, values, 0.0 * values, float(v.mean()), 0.01)


@pytest.mark.parametrize("slope", [0.004, -0.006, 0.014])
def test_in_a_velocity_that_grows_along_the_ground_image_rays_are_circles(slope: float) -> None:
    """v = a + gx: about x = −a/g, where v is zero (textbook result: rays of a linear velocity are arcs of circles)."""
    x = np.linspace(0.0, 12.0, 481)
    v = 0.10 + slope * (x - 6.0)
    found = image_ray_shift_m(field_of(v[None], np.zeros(1), x), 1.4)[2]
    inner = slice(160, -160)
    radius = np.abs(v[inner] / slope)
    np.testing.assert_allclose(found[inner], radius - np.sqrt(radius**2 - 1.4**2), rtol=0.01)


def test_level_layers_and_one_velocity_bend_nothing() -> None:
    x = np.linspace(0.0, 5.0, 51)
    layered = field_of(np.array([[0.13], [0.09], [0.07]]) * np.ones(51), np.array([0.1, 0.5, 1.2]), x)
    assert image_ray_shift_m(layered, 1.5).max() == pytest.approx(0.0, abs=1e-12)
    assert image_ray_shift_m(VelocityField.uniform(0.1, 0.01), 1.5).tolist() == [[0.0]]


def test_across_a_level_face_the_horizontal_slowness_is_kept() -> None:
    """Velocity that grows along the ground above 0.5 m only: below, the ray is straight, at the angle by Snell."""
    x = np.linspace(0.0, 12.0, 481)
    v = np.stack([0.10 + 0.01 * (x - 6.0), np.full(481, 0.08)])
    field = field_of(v, np.array([0.0, 1.0]), x)
    shift = {depth: image_ray_shift_m(field, depth)[2, 240] for depth in (0.5, 1.5)}
    radius = 0.10 / 0.01
    sine = 0.5 / radius
    there = 0.10 - 0.01 * shift[0.5]
    below = sine * 0.08 / there
    assert shift[0.5] == pytest.approx(radius - np.sqrt(radius**2 - 0.25), rel=0.02)
    assert shift[1.5] - shift[0.5] == pytest.approx(1.0 * below / np.sqrt(1.0 - below**2), rel=0.01)


def test_the_field_may_be_turned_or_blank() -> None:
    x = np.linspace(0.0, 12.0, 121)
    v = 0.10 + 0.005 * (x - 6.0)
    along = field_of(v[None], np.zeros(1), x)
    across = np.broadcast_to(v[None, :, None], (1, 121, 5))
    turned = VelocityField(np.zeros(1), x, np.linspace(0.0, 4.0, 5), across, 0.0 * across, 0.1, 0.01)
    np.testing.assert_allclose(image_ray_shift_m(along, 1.2)[2], image_ray_shift_m(turned, 1.2)[:, 2], rtol=1e-12)
    holed = np.array(across)
    holed[0, :10] = np.nan
    blank = VelocityField(np.zeros(1), x, np.linspace(0.0, 4.0, 5), holed, 0.0 * across, 0.1, 0.01)
    found = image_ray_shift_m(blank, 1.2)
    assert np.isnan(found[:10]).all()
    np.testing.assert_allclose(found[30:], image_ray_shift_m(turned, 1.2)[30:], rtol=1e-9)


def test_a_depth_must_be_positive() -> None:
    with pytest.raises(InputError, match="depth_m"):
        image_ray_shift_m(VelocityField.uniform(0.1, 0.01), 0.0)
