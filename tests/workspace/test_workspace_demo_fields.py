"""The full-wave fields that travel with the package: they are those of today's scene, and show what lies in it."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from scipy.signal import hilbert

from yewline.errors import FormatError, InputError
from yewline.simulation import (
    SceneFile,
    SceneLine,
    finish_line,
    layer_depth,
    materials,
    planned_lines,
    prepare_line,
    water_on_section,
)
from yewline.simulation.wave import record_course
from yewline.units import C_M_PER_NS
from yewline.workspace.demo import DEMO_SEED
from yewline.workspace.demo_fields import STEP, DemoFields, read_fields, scene_digest, shipped_fields, write_fields
from yewline.workspace.demo_scene import demo_days, demo_lines, demo_scene, demo_scene_file

DRY, WET = "2031-05-dry", "2031-11-wet"


@pytest.fixture(scope="module")
def scene() -> SceneFile:
    return demo_scene_file(demo_scene(DEMO_SEED), demo_days(), demo_lines(), DEMO_SEED)


@pytest.fixture(scope="module")
def held() -> DemoFields:
    fields = shipped_fields()
    assert fields is not None
    return fields


def echo(held: DemoFields, visit: str, line: str) -> npt.NDArray[np.float64]:
    """Envelope of a line less its mean trace."""
    field = held.fields[visit, line].astype(np.float64)
    return np.asarray(np.abs(hilbert(field - field.mean(axis=0), axis=1)))


def way(line: SceneLine) -> shapely.LineString:
    """A line as planned."""
    return shapely.LineString([line.start, line.end])


def test_they_are_those_of_the_scene(scene: SceneFile, held: DemoFields) -> None:
    # If this fails, the scene has changed: `make demo-data` computes the fields again.
    assert held.digest == scene_digest(scene)
    assert held.seed == DEMO_SEED
    assert set(held.fields) == {(day.name, line.name) for day in scene.days for line in planned_lines(scene.lines)}
    sizes = {field.shape for field in held.fields.values()}
    assert sizes == {(len(planned_lines(scene.lines)[0].places()), scene.antenna.samples)}


def test_they_are_small(held: DemoFields) -> None:
    folder = resources.files("yewline.workspace") / "demo_data"
    assert sum(len(path.read_bytes()) for path in folder.iterdir()) <= 8_000_000
    assert len(held.fields) == 80


@pytest.mark.parametrize(("visit", "line", "traces"), [(DRY, "A12", (40, 200)), (WET, "B03", (150,))])
def test_the_full_wave_gives_them_again(
    scene: SceneFile, held: DemoFields, visit: str, line: str, traces: tuple[int, ...]
) -> None:
    job = prepare_line(scene, visit, line)
    fields = [np.zeros((len(job.places), job.instrument.samples), np.float32) for _ in job.runs]
    for field, run in zip(fields, job.runs, strict=True):
        for trace in set(traces) & set(run.which.tolist()):
            samples = record_course(run.course, trace)
            field[trace, : len(samples)] = samples
    clean = finish_line(job, fields).clean
    for trace in traces:
        # Half a step of rounding, and what single precision makes of another processor's order of work.
        np.testing.assert_allclose(held.fields[visit, line][trace], clean[trace], atol=0.5 * STEP + 1e-5)


@pytest.mark.parametrize("name", ["A04", "A12", "A20", "B08"])
def test_the_deep_layer_is_where_it_lies(scene: SceneFile, held: DemoFields, name: str) -> None:
    """On the dry day it is heard all along a line: traces put over one another by its time, which follows from the
    water above it, add up to a pulse at time zero."""
    day, (tilled, base) = scene.days[0], scene.scene.layers
    line = next(line for line in planned_lines(scene.lines) if line.name == name)
    x, y = line.xy().T
    z = np.arange(0.005, 2.2, 0.01)
    water = water_on_section(scene.ground, day.water, x, y, z)
    soil, fill = scene.ground.soil, tilled.below
    above, _ = materials(soil, water, frequency_mhz=216.0)
    below, _ = materials(
        soil,
        np.minimum(fill.wetness * water, fill.porosity),
        porosity=np.full(water.shape, fill.porosity),
        frequency_mhz=216.0,
    )
    epsilon = np.where(z > layer_depth(tilled, x, y)[:, None], below, above)
    deep = z < layer_depth(base, x, y)[:, None]
    two_way = 2 * 0.01 * (np.sqrt(epsilon) / C_M_PER_NS * deep).sum(axis=1)
    time = scene.antenna.interval_ns * np.arange(scene.antenna.samples) - scene.antenna.zero_ns
    field = held.fields[DRY, name].astype(np.float64)
    field -= field.mean(axis=0)
    late = np.arange(-10.0, 10.01, 0.2)
    flat = np.array([np.interp(expected + late, time, trace) for expected, trace in zip(two_way, field, strict=True)])
    stack = np.abs(hilbert(flat.mean(axis=0)))
    assert abs(late[stack.argmax()]) < 1.0
    # Far above what is left of clutter in the mean of so many traces.
    assert stack.max() > 10 * np.median(stack)


def test_graves_answer_more_than_the_ground_beside_them(scene: SceneFile, held: DemoFields) -> None:
    """On lines over their middles, in the time of their base, for the graves that still hold air."""
    lines = planned_lines(scene.lines)
    time = scene.antenna.interval_ns * np.arange(scene.antenna.samples) - scene.antenna.zero_ns
    ratios = []
    for grave in scene.scene.graves:
        if grave.coffin is None or grave.kind != "adult":
            continue
        line = min(
            lines, key=lambda line: shapely.LineString([line.start, line.end]).distance(shapely.Point(grave.x, grave.y))
        )
        at = line.places() - shapely.LineString([line.start, line.end]).project(shapely.Point(grave.x, grave.y))
        envelope = echo(held, WET, line.name)
        depth = grave.base_m - grave.coffin.height_m
        window = (time > 2 * depth / 0.085) & (time < 2 * (depth + 0.35) / 0.068)
        over = envelope[np.abs(at) < 0.2][:, window].max()
        beside = np.median(envelope[(np.abs(at) > 1.5) & (np.abs(at) < 5.0)][:, window].max(axis=1))
        ratios.append(over / beside)
    assert len(ratios) >= 5
    assert np.median(ratios) > 1.5


def one_line(level: float) -> DemoFields:
    """A single line of one level."""
    return DemoFields(1, "", {("day", "L1"): np.full((2, 3), level, np.float32)})


def test_packing_keeps_what_noise_would_not(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    fields = {("day", f"L{n}"): rng.normal(0.0, 0.3, (30, 40)).astype(np.float32) for n in range(3)}
    size = write_fields(tmp_path, DemoFields(5, "abc", fields))
    again = read_fields(tmp_path)
    assert (again.seed, again.digest, set(again.fields)) == (5, "abc", set(fields))
    for key, field in fields.items():
        np.testing.assert_allclose(again.fields[key], field, atol=0.5 * STEP + 1e-6)
    assert size == (tmp_path / "fields.npy.xz").stat().st_size
    assert list(again.of_visit("day")) == ["L0", "L1", "L2"]


def test_what_cannot_be_packed_or_read_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="same number of traces"):
        write_fields(
            tmp_path,
            DemoFields(1, "", {("d", "a"): np.zeros((2, 3), np.float32), ("d", "b"): np.zeros((3, 3), np.float32)}),
        )
    with pytest.raises(InputError, match="too strong to be packed"):
        write_fields(tmp_path, one_line(1e3))
    write_fields(tmp_path, one_line(0.0))
    (tmp_path / "fields.npy.xz").write_bytes(b"no")
    with pytest.raises(FormatError, match="cannot be read"):
        read_fields(tmp_path)
    write_fields(tmp_path, one_line(0.0))
    head = json.loads((tmp_path / "fields.json").read_text(encoding="utf-8"))
    head["lines"] = []
    (tmp_path / "fields.json").write_text(json.dumps(head), encoding="utf-8")
    with pytest.raises(FormatError, match="do not go with their head"):
        read_fields(tmp_path)
