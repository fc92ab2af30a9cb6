"""Temperature and salt: against the refractive index model and published conversions, signs in words."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.ground import conductivity_at_25, correct_salinity, correct_temperature, sensor_findings
from yewline.model import SENSOR_SIGMA_VWC
from yewline.physics import (
    mixed_permittivity,
    topp_moisture,
    topp_moisture_exact,
    topp_permittivity,
    water_permittivity,
)


def probe(theta, temperature_c):
    """What a probe with Topp's fixed curve shows in soil of 40 % pores, by the refractive index model."""
    water = float(water_permittivity(temperature_c))
    return topp_moisture_exact(mixed_permittivity(theta, porosity=0.4, solid=5.0, water=water))


def test_permittivities_of_the_worked_example():
    # n = 0.4, ε_s = 5, θ = 0.3: 18.077 at 0 °C and 16.780 at 25 °C, Malmberg & Maryott's water.
    made = [
        float(mixed_permittivity(0.3, porosity=0.4, solid=5.0, water=float(water_permittivity(t)))) for t in (0.0, 25.0)
    ]
    assert made == pytest.approx([18.077, 16.780], abs=5e-4)
    # Over 25 K a probe that uses Topp's polynomial of permittivity (eq. 7) comes down by 0.018, 7e-4 per K; by the
    # inverse of his polynomial of moisture, which the correction goes through, it is 0.0168.
    assert np.diff(topp_moisture(made)).item() == pytest.approx(-0.018, abs=5e-4)
    assert (probe(0.3, 25.0) - probe(0.3, 0.0)).item() == pytest.approx(-0.0168, abs=5e-5)
    back = correct_temperature([float(probe(0.3, 0.0))], [0.0], calibrated_at_c=25.0)
    assert back == pytest.approx([float(probe(0.3, 25.0))], abs=1e-4)


@pytest.mark.parametrize("theta", [0.05, 0.15, 0.30, 0.38])
@pytest.mark.parametrize("at", [0.0, 8.0, 30.0])
@pytest.mark.parametrize("calibrated_at", [20.0, 25.0])
def test_corrected_reading_is_that_of_ground_at_the_curves_temperature(theta, at, calibrated_at):
    # In soil that Topp's curve fits at the curve's temperature, the correction is exact.
    change = np.sqrt(water_permittivity(at)) - np.sqrt(water_permittivity(calibrated_at))
    read = float(topp_moisture_exact((np.sqrt(topp_permittivity(theta)) + theta * change) ** 2))
    assert correct_temperature([read], [at], calibrated_at_c=calibrated_at)[0] == pytest.approx(theta, abs=1e-9)


@pytest.mark.parametrize("theta", [0.05, 0.15, 0.30, 0.38])
def test_soil_that_the_curve_misjudges_is_corrected_in_that_proportion(theta):
    # The correction is proportional to the water that the probe believes in: what is left over is the correction times
    # the share by which Topp's curve is off in this soil.
    read, right = float(probe(theta, 5.0)), float(probe(theta, 20.0))
    corrected = correct_temperature([read], [5.0])[0]
    misjudged = abs(right / theta - 1.0)
    assert abs(corrected - right) <= (misjudged + 0.05) * abs(read - right)
    assert abs(corrected - right) < abs(read - right)


def test_cold_ground_is_lowered_and_warm_ground_raised():
    read = np.array([0.25, 0.25, 0.25, 0.25, 0.0])
    corrected = correct_temperature(read, [5.0, 20.0, 30.0, np.nan, 5.0])
    assert corrected[0] < 0.25 < corrected[2]
    assert corrected[[1, 3, 4]] == pytest.approx([0.25, 0.25, 0.0], abs=1e-12)
    slope = (correct_temperature([0.3], [10.0]) - correct_temperature([0.3], [11.0])).item()
    assert slope == pytest.approx(-7e-4, abs=1e-4)


def test_conductivity_at_25_follows_the_later_coefficients():
    # Factor 1.4135 at 10 °C (Corwin & Lesch 2005); the coefficients of 1995 that are in circulation differ at 40 °C.
    assert conductivity_at_25(100.0, 10.0).item() == pytest.approx(141.35, abs=0.005)
    later = 0.4470 + 1.4034 * np.exp(-40.0 / 26.815)
    older = 0.4779 + 1.3801 * np.exp(-40.0 / 25.654)
    assert conductivity_at_25(1.0, 40.0).item() == pytest.approx(later, rel=1e-12)
    assert abs(later - older) > 0.005
    assert conductivity_at_25([50.0], [np.nan]).item() == pytest.approx(50.0, rel=1e-3)


def test_salt_is_taken_off_by_the_stated_slope_only():
    corrected = correct_salinity([0.3, 0.3], [150.0, np.nan], vwc_per_ms_per_m=2e-4, calibrated_at_ms_per_m=50.0)
    assert corrected.tolist() == pytest.approx([0.28, 0.3])
    assert correct_salinity([0.3], [150.0], vwc_per_ms_per_m=0.0).item() == 0.3


@pytest.mark.parametrize("kind", SENSOR_SIGMA_VWC)
def test_every_class_of_sensor_has_its_limit_for_salt(kind):
    quiet = sensor_findings(sensor_class=kind, sensor_mhz=None, ec25_ms_per_m=[20.0, np.nan])
    assert quiet == []
    (told,) = sensor_findings(sensor_class=kind, sensor_mhz=None, ec25_ms_per_m=[400.0, 20.0])
    assert "probes read high there" in told.text
    assert told.received == "up to 400 mS/m"
    assert sensor_findings(sensor_class=kind, sensor_mhz=None, ec25_ms_per_m=[400.0], corrected=True) == []


def test_low_frequency_is_warned_of():
    (told,) = sensor_findings(sensor_class="capacitance", sensor_mhz=20.0, ec25_ms_per_m=[])
    assert "below 50 MHz: it reads high in clay" in told.text


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([0.2, 0.2], [5.0]), "each reading needs a temperature"),
        (([0.2], [-3.0]), "temperature_c must lie between 0 and 50"),
        (([0.7], [5.0]), "vwc must lie between 0 and 0.6"),
    ],
)
def test_readings_that_cannot_be_corrected_are_refused(arguments, message):
    with pytest.raises(InputError, match=message):
        correct_temperature(*arguments)
