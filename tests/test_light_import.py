"""What `import yewline` and `yewline --help` may load: no plotting, no GIS, no compiler, no labelled arrays."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = {
    "dask",
    "geopandas",
    "gstools",
    "h5netcdf",
    "matplotlib",
    "numba",
    "openpyxl",
    "pandas",
    "pyogrio",
    "pyproj",
    "rasterio",
    "scipy",
    "segyio",
    "shapely",
    "skimage",
    "xarray",
    "zarr",
}


def loaded_by(code: str) -> set[str]:
    told = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys; print('\\n'.join(sys.modules))"],
        capture_output=True,
        text=True,
        check=True,
    )
    return {line.split(".")[0] for line in told.stdout.splitlines()}


@pytest.mark.parametrize(
    "code",
    [
        "import yewline",
        "import yewline.cli",
        "import yewline.cli\ntry:\n    yewline.cli.app(['--help'])\nexcept SystemExit:\n    pass",
        "import yewline.cli\ntry:\n    yewline.cli.app(['run', '--help'])\nexcept SystemExit:\n    pass",
    ],
)
def test_nothing_heavy_is_loaded(code: str):
    assert not loaded_by(code) & HEAVY


def test_import_yewline_loads_not_even_numpy():
    assert "numpy" not in loaded_by("import yewline")


def test_the_list_sees_what_is_heavy():
    assert "scipy" in loaded_by("import scipy.signal") & HEAVY
