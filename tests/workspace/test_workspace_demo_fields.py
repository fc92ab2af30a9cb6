"""Full-wave fields packed to travel with the package: what comes back is what went in, to less than the noise."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from yewline.errors import FormatError, InputError
from yewline.workspace.demo_fields import STEP, DemoFields, read_fields, write_fields


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
