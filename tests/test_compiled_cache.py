"""Compiled code that several processes wrote to one folder at one time, as on the first run after an installation."""

import os
import shutil
import subprocess
import sys

import pytest

RUN = "import numpy as np; from simlap import _mixture as m; m.slopes(np.zeros(3), np.ones(3), .3, .1, .2, 4., .1, .5)"
# another process has compiled something else before, so that it counts its functions otherwise
BUSY = f"from numba import njit\nfor k in range(3): njit(lambda x: x + k)(1.0)\n{RUN}"


def run(code, folder):
    env = {**os.environ, "NUMBA_CACHE_DIR": str(folder)}
    return subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Folders of two processes that each compiled all."""
    folders = [tmp_path_factory.mktemp(name) for name in ("one", "other")]
    for code, folder in zip((RUN, BUSY), folders, strict=True):
        assert run(code, folder).returncode == 0
    return folders


@pytest.mark.parametrize("first", [0, 1])
def test_files_of_two_processes_fit_one_another(written, tmp_path, first):
    # numba replaces the files of one function each at once, so that a folder may hold some from either process
    files = [{path.relative_to(folder): path for path in folder.rglob("*.nb?")} for folder in written]
    stems = sorted({path.name.split(".py")[0] for path in files[0]})
    assert len(stems) > 1
    assert files[0].keys() == files[1].keys()
    for relative in files[0]:
        source = files[(stems.index(relative.name.split(".py")[0]) + first) % 2][relative]
        (tmp_path / relative).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(source, tmp_path / relative)
    result = run(RUN, tmp_path)
    assert result.returncode == 0, result.stderr  # a file that does not fit ends in a segmentation fault: -11
