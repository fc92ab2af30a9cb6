"""The examples of docs/day.md are read as they stand there."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np

from yewline.formats import read_rain
from yewline.ground import RainOptions
from yewline.model import Conditions

PAGE = (Path(__file__).parents[1] / "docs" / "day.md").read_text()


def test_the_table_of_rain_is_read_as_the_page_says(tmp_path: Path) -> None:
    block = re.search(r"^```\n(date,.*?)^```", PAGE, flags=re.DOTALL | re.MULTILINE)
    assert block is not None
    (tmp_path / "rain.csv").write_text(block[1])
    rain, findings = read_rain(tmp_path / "rain.csv")
    np.testing.assert_array_equal(rain.rain_mm, [2.4, 0.0, np.nan, 0.0])
    assert [finding.code for finding in findings if finding.grade == "warning"] == ["rain-gap"]


def test_the_conditions_are_read_and_none_is_left_out() -> None:
    block = re.search(r"^```toml\n(.*?)^```", PAGE, flags=re.DOTALL | re.MULTILINE)
    assert block is not None
    stated = tomllib.loads(block[1])["conditions"]
    assert set(stated) == set(Conditions.model_fields)
    assert Conditions.model_validate(stated).model_dump() == stated


def test_limits_of_the_index_are_those_of_the_code() -> None:
    options = RainOptions()
    assert options.half_life_days == 5
    assert f"{options.wet_day_mm:g} mm or more, and with {options.heavy_day_mm:g} mm or more" in PAGE
    assert f"up\n  to {options.highest_daily_mm:g} mm" in PAGE
    assert "over three days" in PAGE
    assert options.trend_days == 3
