"""A recipe tried on one line, and one line at the stages of its processing."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from yewline.cli.trial import carry_out
from yewline.errors import InputError, SiteError
from yewline.recipe import run_after, standard_recipe
from yewline.workspace import Trial, open_site, stage_volume, try_line
from yewline.workspace.run import site_result
from yewline.workspace.store import load_radargrams


def test_every_step_tells_what_it_kept_and_what_it_removed(text_site: Path):
    trial = try_line(open_site(text_site), "L05")
    steps = {each.view.step: each for each in trial.steps}
    assert list(steps) == [
        "time_zero", "dewow", "band_pass", "background_removal", "compensate", "migrate_stolt", "envelope",
    ]  # fmt: skip
    background = steps["background_removal"]
    removed = background.view.before.values.astype(float) - background.view.after.values
    share = (removed**2).sum() / (background.view.before.values.astype(float) ** 2).sum()
    assert background.removed_share == pytest.approx(share, rel=1e-4)
    assert steps["migrate_stolt"].removed_share is None
    assert steps["compensate"].rms_after == pytest.approx(
        float(np.sqrt((steps["compensate"].view.after.values.astype(float) ** 2).mean())), rel=1e-6
    )
    assert trial.notes == (
        "absorption is fitted over the whole site by a run with these steps: none is compensated here yet",
        "the velocity is that of the readings' mean: a run joins it with what the recordings tell",
    )
    json.dumps(trial.as_dict())


def test_after_a_run_a_trial_gives_what_the_run_gave(text_site: Path, monkeypatch: pytest.MonkeyPatch):
    """The same numbers as the kept line, and as the line that fed the volume."""
    fed: dict[str, np.ndarray] = {}
    plain = stage_volume.line_nodes

    def seen(line, *args, **kwargs):
        fed[line.attrs["line"]] = line.values.copy()
        return plain(line, *args, **kwargs)

    monkeypatch.setattr(stage_volume, "line_nodes", seen)
    site_result(open_site(text_site))
    site = open_site(text_site)
    kept, _ = load_radargrams(text_site / "results" / "visits" / "day" / "radargrams.zarr")
    recorded, before, after = (site.radargram("day", "L05", stage=stage) for stage in ("recorded", "before", "after"))
    np.testing.assert_array_equal(before.values, kept["L05"].values)
    np.testing.assert_allclose(after.values, fed["L05"], rtol=1e-5, atol=1e-6 * fed["L05"].max())
    assert try_line(site, "L05").notes == ("absorption and velocity are those of the last run",)
    # A pick on one is a pick on the other: the same traces, the same times.
    for name in ("x", "y", "distance"):
        np.testing.assert_array_equal(before[name].values, recorded[name].values)
        np.testing.assert_array_equal(after[name].values, before[name].values)
    np.testing.assert_array_equal(after["time"].values, before["time"].values)
    assert [each.attrs["stage"] for each in (before, after)] == ["before", "after"]
    assert (before.attrs["line"], after.attrs["line"]) == ("L05", "L05")
    again = run_after(
        standard_recipe(),
        before,
        velocity_m_per_ns=try_line(site, "L05").velocity_m_per_ns,
    )
    np.testing.assert_array_equal(again.values, after.values)


def test_a_stage_that_a_run_has_to_prepare_is_refused(text_site: Path):
    site = open_site(text_site)
    with pytest.raises(SiteError, match="Run the site first"):
        site.radargram("day", "L05", stage="before")
    with pytest.raises(SiteError, match="Stages are recorded, before, after"):
        site.radargram("day", "L05", stage="migrated")


@pytest.mark.parametrize(
    ("line", "visit", "said"),
    [
        ("L55", None, "no line called 'L55'.*did you mean 'L05'"),
        ("L05", "dai", "no visit called 'dai'"),
        ("nothing like it", None, "lines here: L00, L01"),
    ],
)
def test_names_that_are_not_there(text_site: Path, line: str, visit: str | None, said: str):
    with pytest.raises(SiteError, match=f"(?i){said}"):
        try_line(open_site(text_site), line, visit=visit)


def test_a_line_that_cannot_be_used_says_why(text_site: Path):
    (text_site / "visits" / "day" / "lines" / "L05.txt").write_text("")
    with pytest.raises(SiteError, match="L05.txt.*the file is empty"):
        try_line(open_site(text_site), "L05")


def test_what_a_step_refuses_is_said_with_the_step(text_site: Path):
    (text_site / "recipe.toml").write_text('[[before]]\nstep = "band_pass"\nlow_mhz = 5000.0\nhigh_mhz = 6000.0\n')
    with pytest.raises(InputError, match="step band_pass"):
        try_line(open_site(text_site), "L05")


def test_without_a_velocity_the_steps_after_it_are_not_tried(text_site: Path):
    (text_site / "visits" / "day" / "readings.csv").unlink()
    trial = try_line(open_site(text_site), "L05")
    assert trial.velocity_m_per_ns is None
    assert {each.part for each in trial.steps} == {"before"}
    assert "steps after the velocity are not tried" in trial.notes[-1]


@pytest.mark.parametrize(
    ("step", "tried"),
    [
        # The lines beside it are not read: it is migrated by itself.
        ('step = "migrate_kirchhoff_3d"', ["migrate_kirchhoff_3d"]),
        # The ground below one line is not known before a run has mapped it.
        ('step = "migrate_kirchhoff"\nground = "below the line"', []),
    ],
)
def test_a_step_that_looks_around_the_line_is_not_passed_off_as_the_run(text_site: Path, step: str, tried: list[str]):
    (text_site / "recipe.toml").write_text(f'[[before]]\nstep = "dewow"\n\n[[after]]\n{step}\n')
    site = open_site(text_site)
    trial = try_line(site, "L05")
    assert [each.view.step for each in trial.steps] == ["dewow", *tried]
    assert "the recipe looks around the line, which a trial of one line cannot" in trial.notes
    assert site.radargram("day", "L05", stage="before").attrs["follows_from"] == "recorded"
    with pytest.raises(SiteError, match="(?i)looks around the line"):
        site.radargram("day", "L05", stage="after")


def test_what_the_last_run_fitted_is_taken_only_where_its_steps_are_the_same(text_site: Path):
    for path in (text_site / "visits" / "day" / "lines").glob("*.txt"):
        samples = np.loadtxt(path)
        fading = 10 ** (-0.03 * np.arange(len(samples)))
        np.savetxt(path, samples * fading[:, None], fmt="%.9f", delimiter="\t")
    site_result(open_site(text_site))
    recipe = text_site / "recipe.toml"
    fitted = _absorption(try_line(open_site(text_site), "L05"))
    assert fitted is not None
    assert fitted > 0

    recipe.write_text(
        '[[before]]\nstep = "time_zero"\npick = "correlation"\n\n[[before]]\nstep = "dewow"\nwindow_ns = 40.0\n\n'
        '[[before]]\nstep = "compensate"\n\n[[after]]\nstep = "envelope"\n'
    )
    changed = try_line(open_site(text_site), "L05")
    assert not _absorption(changed)
    assert changed.notes == (
        "absorption is fitted over the whole site by a run with these steps: none is compensated here yet",
        "the velocity is that of the last run",
    )
    recipe.unlink()
    assert _absorption(try_line(open_site(text_site), "L05")) == fitted

    # Results are safe to delete; damaged, they count as if they were.
    for name in ("zarr.json", ".zgroup", ".zattrs", ".zmetadata"):
        for held in (text_site / "results" / "visits" / "day" / "radargrams.zarr").rglob(name):
            held.write_bytes(b"{")
    assert "none is compensated here yet" in try_line(open_site(text_site), "L05").notes[0]


def _absorption(trial: Trial) -> float | None:
    (view,) = (each.view for each in trial.steps if each.view.step == "compensate")
    return view.parameters["absorption_db_per_ns"]


def test_the_command_prints_and_draws(text_site: Path, capsys: pytest.CaptureFixture[str]):
    carry_out(site=text_site, line="L05", visit=None, as_json=False)
    printed = capsys.readouterr()
    assert "background_removal" in printed.out
    assert "what shows under “removed” was taken out" in printed.err.replace("\n", " ")
    with Image.open(text_site / "results" / "tried" / "day-L05.png") as picture:
        assert picture.width > 800
        assert picture.height > 1000
    carry_out(site=text_site, line="L05", visit="day", as_json=True)
    told = json.loads(capsys.readouterr().out)
    assert [step["step"] for step in told["steps"]][-1] == "envelope"
    assert told["picture"].endswith("day-L05.png")
    with pytest.raises(SiteError, match="Name a line with --line"):
        carry_out(site=text_site, line=None, visit="day", as_json=False)
