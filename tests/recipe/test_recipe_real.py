"""A radargram of a real recording, made by others, goes through every step that is registered.

The recording is ObsPy's example of SEG-2: three channels of a seismograph, 2,000 samples each. Its sample interval is
that of a seismograph; it is taken for 0.25 ns here, since steps count in nanoseconds.
"""

from __future__ import annotations

import gzip
import warnings
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from scipy.signal import hilbert

from yewline.formats import read_seg2
from yewline.model import make_radargram, provenance_steps
from yewline.recipe import STEPS, recipe_from_toml, run_after, run_before, run_display

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # ObsPy's import uses a part of the standard library that is deprecated
    import obspy

REAL = Path(obspy.__file__).parent / "io" / "seg2" / "tests" / "data" / "20130107_103041000.CET.3c.cont.0.seg2.gz"
pytestmark = pytest.mark.skipif(not REAL.is_file(), reason="this ObsPy was installed without its test recordings")

STATED = {"notch": "frequency_mhz = 300.0\n", "q_compensation": "q_star = 40.0\n"}


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> xr.DataArray:
    """The channels cut into stretches of 250 samples, one a trace: 24 traces in two segments, on a slope."""
    path = tmp_path_factory.mktemp("real") / "real.seg2"
    path.write_bytes(gzip.decompress(REAL.read_bytes()))
    samples = read_seg2(path).amplitude.reshape(24, 250)
    x = np.cumsum(np.random.default_rng(0).uniform(0.045, 0.055, 24))
    line = make_radargram(
        samples,
        interval_ns=0.25,
        x=x,
        y=0 * x,
        segment=np.repeat([0, 1], [14, 10]),
        attrs={"centre_mhz": 400.0, "separation_m": 0.16, "line": "real", "visit": "field"},
    )
    return line.assign_coords(z=("trace", 3.0 + 0.05 * x, {"units": "m"}))


@pytest.mark.parametrize(
    ("step", "part"), [(s, part) for s in STEPS for part in s.branches], ids=lambda v: getattr(v, "name", v)
)
def test_every_step_takes_a_real_recording(recorded, step, part):
    held = recorded.copy(deep=True)
    recipe = recipe_from_toml(
        ('[[before]]\nstep = "dewow"\n' if part == "display" else "")
        + f'[[{part}]]\nstep = "{step.name}"\n{STATED.get(step.name, "")}'
    )

    def once() -> xr.DataArray:
        if part == "before":
            return run_before(recipe, recorded, absorption_db_per_ns=0.2)
        if part == "after":
            return run_after(recipe, recorded, velocity_m_per_ns=0.1)
        return run_display(recipe, recorded, velocity_m_per_ns=0.1)

    done = once()
    assert done.dtype == np.float32
    assert np.isfinite(done.values).all()
    assert done.values.any()
    assert [entry["step"] for entry in provenance_steps(done)] == [step.name]
    assert done.identical(once())
    assert recorded.identical(held)
    if step.section_after is None:
        assert done["x"].identical(recorded["x"])


def test_the_envelope_of_a_real_recording_is_scipys(recorded):
    recipe = recipe_from_toml('[[after]]\nstep = "envelope"')
    done = run_after(recipe, recorded, velocity_m_per_ns=0.1)
    expected = np.abs(hilbert(recorded.values.astype(np.float64), axis=1))
    assert done.values == pytest.approx(expected, abs=1e-5 * expected.max())


def test_a_long_recipe_of_most_steps_runs_on_it(recorded):
    early = [s.name for s in STEPS if "before" in s.branches]
    late = ["migrate_kirchhoff", "envelope"]
    text = "".join(f'[[before]]\nstep = "{name}"\n{STATED.get(name, "")}' for name in early)
    text += "".join(f'[[after]]\nstep = "{name}"\n' for name in late)
    recipe = recipe_from_toml(text)
    done = run_after(recipe, run_before(recipe, recorded, absorption_db_per_ns=0.1), velocity_m_per_ns=0.1)
    assert [entry["step"] for entry in provenance_steps(done)] == [*early, *late]
    assert np.isfinite(done.values).all()
