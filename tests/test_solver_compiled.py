"""One compilation of the kernel serves every kind of input: compiling is what a first run waits for."""

import subprocess
import sys

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


def test_the_kernel_is_compiled_once_for_all_inputs():
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["1"]
