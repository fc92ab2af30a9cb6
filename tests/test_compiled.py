"""Kernels where nothing can be kept on disk: a read-only install, a home that cannot be written."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "src" / "yewline"
# Two rooms' kernels, of which one is used.
CODE = (
    "import numpy as np, yewline.accuracy.window, yewline.signal.sliding_median;"
    "from yewline.signal import kernels;"
    "print(kernels.running_mean(np.ones((1, 4), np.float32), 1).tolist())"
)


def without_cache(code: str, temporary: Path) -> subprocess.CompletedProcess[str]:
    """Numba is told to keep code in NUMBA_CACHE_DIR alone, and that is not given: it finds no place."""
    env = {name: value for name, value in os.environ.items() if name != "NUMBA_CACHE_DIR"}
    env |= {"NUMBA_CACHE_LOCATOR_CLASSES": "UserProvidedCacheLocator", "TMPDIR": str(temporary)}
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=env, check=False)


def test_numba_alone_refuses(tmp_path):
    told = without_cache("import numba, yewline.errors as e; numba.njit(cache=True)(e._rebuild)", tmp_path)
    assert "cannot cache function" in told.stderr


def test_machine_code_is_kept_among_temporary_files_and_said_once(tmp_path):
    told = without_cache(CODE, tmp_path)
    assert told.returncode == 0, told.stderr
    assert told.stdout.strip() == "[[1.0, 1.0, 1.0, 1.0]]"
    assert told.stderr.count("YewlineWarning: compiled steps are kept in ") == 1
    assert "set NUMBA_CACHE_DIR to a folder of your own" in told.stderr
    folder = tmp_path / f"yewline-kernels-{os.getuid()}"
    assert list(folder.rglob("*.nbc"))
    assert folder.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("in_the_way", ["a folder that all can write", "a link", "a file"])
def test_nothing_is_run_from_a_folder_that_others_can_write(tmp_path, in_the_way):
    folder = tmp_path / f"yewline-kernels-{os.getuid()}"
    if in_the_way == "a link":
        (tmp_path / "elsewhere").mkdir(mode=0o700)
        folder.symlink_to(tmp_path / "elsewhere")
    elif in_the_way == "a file":
        folder.write_text("")
    else:
        folder.mkdir()
        folder.chmod(0o777)
    told = without_cache(CODE, tmp_path)
    assert told.returncode == 0, told.stderr
    assert told.stdout.strip() == "[[1.0, 1.0, 1.0, 1.0]]"
    assert told.stderr.count("YewlineWarning: compiled steps cannot be kept and are compiled again at every start") == 1
    assert not list(tmp_path.rglob("*.nbc"))


def test_commands_say_it_in_a_plain_sentence(tmp_path):
    code = f"import sys; sys.argv = ['yewline', 'check', {str(tmp_path / 'none')!r}]; import yewline.cli; "
    told = without_cache(f"{code}yewline.cli.main()", tmp_path)
    first = told.stderr.splitlines()[0]
    assert first.startswith("yewline: compiled steps are kept in ")
    assert first.endswith("set NUMBA_CACHE_DIR to a folder of your own that can be written.")
    assert "YewlineWarning" not in told.stderr


def test_every_kernel_is_compiled_there():
    for path in PACKAGE.rglob("*.py"):
        if path.name == "_compiled.py":
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom) and node.module == "numba":
                assert not {alias.name for alias in node.names} & {"njit", "jit", "vectorize", "guvectorize"}, path
