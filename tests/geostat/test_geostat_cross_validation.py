"""Leave-one-out in closed form against kriging done again without each reading."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.geostat import Drift, KrigingOptions, VariogramModel, cross_validate, krige


def scene(seed: int = 6, n: int = 25) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 20, (n, 2))
    return xy, rng.standard_normal(n) + 0.1 * xy[:, 0], np.linspace(0.05, 0.6, n)


@pytest.mark.parametrize("columns", [0, 1, 3])
@pytest.mark.parametrize("family", ["exponential", "gaussian", "spherical"])
@pytest.mark.parametrize("errors", [False, True])
def test_agrees_with_kriging_without_each(family: str, errors: bool, columns: int) -> None:
    xy, z, error_sd = scene()
    error = error_sd if errors else np.zeros(len(z))
    model = VariogramModel(family, partial_sill=1.3, range_m=6.0, nugget=0.2, ratio=0.5, azimuth_deg=40.0)
    measured = np.column_stack([xy, xy[:, 0] ** 2])[:, :columns] if columns else None
    result = cross_validate(xy, z, model=model, error_sd=error, drift=None if measured is None else Drift(measured))
    for i in range(len(z)):
        rest = np.arange(len(z)) != i
        drift = None if measured is None else Drift(measured[rest], measured[i : i + 1])
        estimate, variance = krige(
            xy[rest], z[rest], xy[[i]], model=model, error_sd=error[rest], options=KrigingOptions(drift=drift)
        )
        assert result.prediction[i] == pytest.approx(estimate[0], abs=1e-10)
        sd = np.sqrt(variance[0] + error[i] ** 2)
        assert result.sd[i] == pytest.approx(sd, rel=1e-10)
        assert result.standardised[i] == pytest.approx((z[i] - estimate[0]) / sd, abs=1e-9)


def test_standardised_errors_have_variance_one_under_the_true_model() -> None:
    # They are a linear map of the readings, whose covariance is known: no draws are needed.
    xy, _, error = scene(n=12)
    model = VariogramModel("exponential", partial_sill=1.0, range_m=12.0, nugget=0.1)
    columns = [cross_validate(xy, unit, model=model, error_sd=error).standardised for unit in np.eye(12)]
    standardise = np.column_stack(columns)
    readings = model.covariance(xy, xy) + np.diag(model.nugget + error**2)
    np.testing.assert_allclose(np.diagonal(standardise @ readings @ standardise.T), 1.0, rtol=1e-10)
    np.testing.assert_allclose(standardise @ np.ones(12), 0.0, atol=1e-11)


def test_twins_predict_each_other() -> None:
    xy = np.array([[0.0, 0.0], [0.0, 0.0], [50.0, 0.0], [0.0, 50.0]])
    model = VariogramModel("exponential", partial_sill=1.0, range_m=5.0)
    result = cross_validate(xy, [1.0, 2.0, 0.0, 0.5], model=model, error_sd=1e-3)
    np.testing.assert_allclose(result.prediction[:2], [2.0, 1.0], atol=1e-4)
    np.testing.assert_allclose(result.sd[:2], 1e-3 * np.sqrt(2.0), rtol=1e-4)
    assert (np.abs(result.standardised[:2]) > 600).all()


def test_faults() -> None:
    xy, z, _ = scene()
    model = VariogramModel("exponential", partial_sill=1.0, range_m=5.0)
    with pytest.raises(InputError, match=r"leaving one reading out needs at least 2 readings with this mean"):
        cross_validate(xy[:1], z[:1], model=model)
    with pytest.raises(InputError, match=r"needs at least 4 readings with this mean \(received 3\)"):
        cross_validate(xy[:3], z[:3], model=model, drift=Drift(xy[:3]))
    only = np.zeros(len(z))
    only[7] = 1.0
    place = rf"the others do not fix the drift \(received the reading at \({xy[7, 0]:g}, {xy[7, 1]:g}\)\)"
    with pytest.raises(InputError, match=place):
        cross_validate(xy, z, model=model, drift=Drift(only))
    with pytest.raises(InputError, match="cannot be told apart by the variogram"):
        cross_validate(np.concatenate([xy, xy[:1]]), np.append(z, 1.0), model=model)
    with pytest.raises(InputError, match="one value for each place"):
        cross_validate(xy, z[:-1], model=model)
