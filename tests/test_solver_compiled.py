"""One compilation of the kernel serves every kind of input: compiling is what a first run waits for."""

import os
import subprocess
import sys

import pytest

PROGRAM = """
import numpy as np
from simlap import _kernels
from simlap.envelope import Envelope
from simlap.line import Line
from simlap.solver import PARALLEL_FROM, StationLimits, limit_profile, solve_batch, warm_up

warm_up()
circle = Line.from_curvature(np.full(64, 2.0 * np.pi / 64.0), 1.0)
env = Envelope.from_limits((10.0, 0.0), (10.0, 0.0), (10.0, 0.0))
packed = np.array(env.pack())
limit_profile(circle, env, limits=StationLimits(cap=np.full(64, 2.0)))
limit_profile(circle, env, start_speed=1.0)
solve_batch(circle, packed)
runs = PARALLEL_FROM // 64 + 1
solve_batch(circle, np.tile(packed, (runs, 1)), StationLimits(cap=np.full((runs, 64), 2.0)))
print(len(_kernels.solve_rows.signatures))
"""


FORKED = """
import os
import numpy as np
from simlap.envelope import Envelope
from simlap.line import Line
from simlap.solver import PARALLEL_FROM, solve_batch

circle = Line.from_curvature(np.full(64, 2.0 * np.pi / 64.0), 1.0)
packed = Envelope.from_limits((10.0, 0.0), (10.0, 0.0), (10.0, 0.0)).pack()
many = np.tile(packed, (PARALLEL_FROM // 64 + 1, 1))
solve_batch(circle, many)
child = os.fork()
if child == 0:
    solve_batch(circle, many)
    os._exit(7)
print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system does not fork processes")
def test_a_forked_process_has_threads_of_its_own():
    done = subprocess.run([sys.executable, "-c", FORKED], capture_output=True, text=True, timeout=60)
    assert done.stdout.split() == ["7"]


def test_the_kernel_is_compiled_once_for_all_inputs():
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["1"]
