"""The solver's hot loops: floats and float64 arrays, compiled by numba.

The state is z = v². Between neighbouring stations z is linear in distance, so that the time of a segment is
2 ds / (v_i + v_{i+1}) and its acceleration (z_{i+1} - z_i) / (2 ds).

Scheme (trapezoidal, second order): the acceleration of a segment is at most the mean of the limits at its two
ends, each at its own speed:

    z_{i+1} <= z_i + ds (D_i(z_i) + D_{i+1}(z_{i+1}))        drive
    z_i <= z_{i+1} + ds (B_i(z_i) + B_{i+1}(z_{i+1}))        braking

The half of the settled station is explicit, the half of the station sought is implicit. The explicit half is
replaced by its running maximum over z: with it the largest z[j] is a non-decreasing function of z[i], the set of
profiles that obey all limits is closed under the pointwise maximum, and one traverse each way finds that maximum.
Under reversal of the path the two inequalities change places.
"""

import math

import numpy as np
from numba import njit, prange

from simlap.units import G

# Rows of the geometry array: lateral demand of the tyres is LAT_SLOPE z - LAT_BANK, g_n / g is NORMAL + NORMAL_SLOPE z
LAT_SLOPE, LAT_BANK, NORMAL, NORMAL_SLOPE, CLIMB, STEP = range(6)
GEOMETRY_ROWS = 6
BRAKE, DRIVE = 0, 1
# What holds the speed at a station down
LATERAL, BRAKING, ENGINE, TRACTION, CAP, KEPT = range(6)
OWN_NONE, OWN_REPLACES, OWN_AT_LEAST = 0, 1, 2
# Rows of the per-station limits
R_CAP, R_FLOOR, R_LATERAL, R_BRAKE, R_DRIVE, R_OWN_BRAKE, R_OWN_DRIVE = range(7)
LIMIT_ROWS = 7
# The packed envelope (`Envelope.pack`): speed step of the engine curve, its first value, their number
ENV_STEP, ENV_CURVE, ENV_POINTS = 11, 12, 32

# Newton stops at a step of this share of z; it converges quadratically, so what is left is near rounding.
STEP_TOLERANCE = 1e-8
MAX_NEWTON = 60
# Below this a limit counts as none at all; avoids 0/0 at a crest where the tyres carry no load. [m/s²]
TINY = 1e-12
# A second traverse ends where it changes z by less than this share.
SETTLED = 1e-12
MAX_TRAVERSES = 200
OK = -1  # any other status is the station at which no speed is left

_jit = njit(cache=True, error_model="numpy")


@_jit
def ceiling(i, geo, env, lateral_scale):
    """Largest z at which the tyres still hold the path at station i, inf when there is none.

    Smallest positive root of (c0 + c1 z)(p + q z) = s (a z - b), s the sign of the turn.
    """
    slope, bank = geo[LAT_SLOPE, i], geo[LAT_BANK, i]
    p, q = geo[NORMAL, i], geo[NORMAL_SLOPE, i]
    if slope > 0.0 or (slope == 0.0 and bank <= 0.0):
        c0, c1, s = env[0] * lateral_scale, env[1] * lateral_scale, 1.0
    else:
        c0, c1, s = env[2] * lateral_scale, env[3] * lateral_scale, -1.0
    c = c0 * p + s * bank
    if c <= 0.0:
        return 0.0
    b = c0 * q + c1 * p - s * slope
    discriminant = b * b - 4.0 * c1 * q * c
    if discriminant < 0.0:
        return math.inf
    below = math.sqrt(discriminant) - b
    if below <= 0.0:
        return math.inf
    return 2.0 * c / below


@_jit
def load(z, i, geo, env, lateral_scale):
    """Lateral demand [m/s²], its share of the limit, the share's derivative by z, and g_n / g with its slope."""
    a = geo[LAT_SLOPE, i] * z - geo[LAT_BANK, i]
    q = geo[NORMAL_SLOPE, i]
    normal = max(geo[NORMAL, i] + q * z, 0.0)
    if a >= 0.0:
        c0, c1, slope = env[0] * lateral_scale, env[1] * lateral_scale, geo[LAT_SLOPE, i]
    else:
        c0, c1, slope = env[2] * lateral_scale, env[3] * lateral_scale, -geo[LAT_SLOPE, i]
    pure = c0 + c1 * z
    limit = max(pure * normal, TINY)
    used = abs(a) / limit
    return a, used, (slope - used * (c1 * normal + pure * q)) / limit, normal, q


@_jit
def engine(v, a_lat, env, scale):
    """Acceleration at full throttle on the level beside `a_lat`, and the slope of its curve over v."""
    at = v / env[ENV_STEP]
    j = min(int(at), ENV_POINTS - 2)
    rise = env[ENV_CURVE + j + 1] - env[ENV_CURVE + j]
    at -= j
    drag = env[10] * a_lat * a_lat
    if at >= 1.0:
        return env[ENV_CURVE + j + 1] * scale - drag, 0.0
    return (env[ENV_CURVE + j] + rise * at) * scale - drag, rise * scale / env[ENV_STEP]


@_jit
def left_over(used, p):
    """(1 - used^p)^(1/p), 0 from used = 1 on."""
    if used >= 1.0:
        return 0.0
    if p == 2.0:
        return math.sqrt(1.0 - used * used)
    if used <= 0.0:
        return 1.0
    return math.exp(math.log(-math.expm1(p * math.log(used))) / p)


@_jit
def explicit_half(z, i, ds, pure, p, geo, env, lateral_scale):
    """Largest y + ds T_i(y) over y <= z, T_i what the tyres at station i give beside the lateral load.

    Where the tyres are nearly used up sideways T_i falls steeply, and a slightly lower speed reaches further; that
    point is taken on the superellipse that touches the limits at z. `pure` is T_i without lateral load.
    """
    _, used, d_used, _, _ = load(z, i, geo, env, lateral_scale)
    reach = z + ds * pure * left_over(used, p)
    if used > 0.5 and d_used > 0.0 and p > 1.0:
        # maximum of y + ds T: used^p = 1 / (1 + w), w = (ds T0 dused/dz)^(p / (p - 1)) (Hölder's inequality)
        w = (ds * pure * d_used) ** (p / (p - 1.0))
        best = (1.0 / (1.0 + w)) ** (1.0 / p)
        if used > best:
            reach = max(reach, z - (used - best) / d_used + ds * pure * (w / (1.0 + w)) ** (1.0 / p))
    return reach


@_jit
def tyre_root(rho, hi, guess, i, ds, t0, t1, p, geo, env, lateral_scale):
    """Largest z in [max(rho, 0), hi] with z <= rho + ds T_i(z), -1 when there is none.

    Written as ((z - rho) / (ds T0))^p + used^p <= 1: smooth up to the ceiling, where T_i itself has infinite slope.
    Newton in a bracket, secant where Newton leaves it.
    """
    lo = max(rho, 0.0)
    top, f_top = hi, math.inf
    z = min(max(guess, lo), hi)
    for _ in range(MAX_NEWTON):
        _, used, d_used, normal, q = load(z, i, geo, env, lateral_scale)
        pure = max((t0 + t1 * z) * normal, TINY)
        m = (z - rho) / (ds * pure)
        d_m = (1.0 - m * ds * (t1 * normal + (t0 + t1 * z) * q)) / (ds * pure)
        if p == 2.0:
            f = m * m + used * used - 1.0
            slope = 2.0 * (m * d_m + used * d_used)
        else:
            m_p, used_p = m**p, used**p
            f = m_p + used_p - 1.0
            slope = p * ((m_p / m * d_m if m > 0.0 else 0.0) + (used_p / used * d_used if used > 0.0 else 0.0))
        if f <= 0.0:
            if z >= hi:
                return hi
            lo = z
        else:
            if z <= lo:  # nothing is left at the lower end: either it stands, or there is no speed at all
                return z if rho >= 0.0 else -1.0
            top, f_top = z, f
        new = z - f / slope
        if not new < top:
            if top < math.inf:
                new = top if f_top == math.inf else 0.5 * (lo + top)
            else:
                new = 2.0 * z + ds * pure
        elif not new > lo:
            new = lo
        if abs(new - z) <= STEP_TOLERANCE * new:
            return new
        z = new
    return lo


@_jit
def engine_root(rho, hi, guess, i, ds, sign, geo, env, scale):
    """Largest z in [0, hi] with z <= rho + sign ds E_i(z), E_i the engine's limit; -1 when there is none.

    Newton over v, in which the curve is linear piece by piece.
    """
    v_top = math.sqrt(hi)
    v = min(math.sqrt(max(guess, 1.0)), v_top)
    for _ in range(MAX_NEWTON):
        a_lat = geo[LAT_SLOPE, i] * v * v - geo[LAT_BANK, i]
        power, slope = engine(v, a_lat, env, scale)
        slope -= 4.0 * env[10] * a_lat * geo[LAT_SLOPE, i] * v
        f = v * v - rho - sign * ds * power
        if f <= 0.0 and v >= v_top:
            return hi
        if f > 0.0 and v == 0.0:
            return -1.0
        rate = 2.0 * v - sign * ds * slope
        new = max(v - f / rate, 0.0) if rate > 0.0 else 2.0 * v + 1.0
        new = min(new, v_top)
        if abs(new - v) <= STEP_TOLERANCE * new:
            return new * new
        v = new
    return v * v


@_jit
def sweep(z, tag, kind, start, closed, geo, env, rows, modes, other_modes):
    """Lower z (n,) until no segment asks for more than its limit; `z` comes in as the ceiling.

    Braking goes backwards from station `start`, drive forwards. A closed lap is traversed until nothing changes:
    once, unless a slope or a kept acceleration pulls the slowest station down. Returns OK, or the station with no
    speed left.
    """
    n = z.size
    forward = kind == DRIVE
    if forward:
        t0, t1, p, sign = env[6], env[7], env[9], -1.0
        own_row, other_row, scale_row = R_OWN_DRIVE, R_OWN_BRAKE, R_DRIVE
    else:
        t0, t1, p, sign = env[4], env[5], env[8], 1.0
        own_row, other_row, scale_row = R_OWN_BRAKE, R_OWN_DRIVE, R_BRAKE
    j = start
    for k in range(n * MAX_TRAVERSES if closed else n - 1):
        if forward:
            i = j + 1 if j + 1 < n else 0
            segment = j
        else:
            i = j - 1 if j > 0 else n - 1
            segment = i
        ds = geo[STEP, segment]
        top, z_j = z[i], z[j]
        new, cause = -math.inf, KEPT
        if modes[segment] != OWN_NONE:
            new = z_j + 2.0 * ds * rows[own_row, segment]
        if other_modes[segment] == OWN_REPLACES:  # a car that cannot but do this is able to do it
            new = max(new, z_j - 2.0 * ds * rows[other_row, segment])
        if modes[segment] != OWN_REPLACES and new < top:
            normal = max(geo[NORMAL, j] + geo[NORMAL_SLOPE, j] * z_j, 0.0)
            pure = max(t0 + t1 * z_j, 0.0) * normal * rows[scale_row, j]
            reach = explicit_half(z_j, j, ds, pure, p, geo, env, rows[R_LATERAL, j])
            a_lat = geo[LAT_SLOPE, j] * z_j - geo[LAT_BANK, j]
            power, _ = engine(math.sqrt(z_j), a_lat, env, rows[R_DRIVE, j])
            # drive is the smaller of tyres and engine; slowing the larger of brakes and a throttle wide open
            reach = min(reach, z_j + ds * power) if forward else max(reach, z_j - ds * power)
            climb = sign * ds * (geo[CLIMB, j] + geo[CLIMB, i])
            rho = reach + climb
            guess = rho + (reach - z_j)
            found, why = top, TRACTION if forward else BRAKING
            if rho < top:
                scale = rows[scale_row, i]
                found = tyre_root(rho, top, guess, i, ds, t0 * scale, t1 * scale, p, geo, env, rows[R_LATERAL, i])
            by_engine = engine_root(rho, top, guess, i, ds, -sign, geo, env, rows[R_DRIVE, i])
            if forward and by_engine < found:
                found, why = by_engine, ENGINE
            if not forward and by_engine > found:
                found = by_engine
            if found > new:
                new, cause = found, why
        if closed and k >= n - 1 and new >= top * (1.0 - SETTLED):
            return OK
        if new < top:
            if new <= 0.0:
                return i
            z[i], tag[i] = new, cause
        j = i
    return i if closed else OK


@_jit
def solve_one(z, tag, time, geo, env, rows, modes_brake, modes_drive, closed, z_start, z_end):
    """Fastest z (n,) of one run, its tags and segment times; returns OK or the station with no speed left."""
    n = z.size
    slowest = 0
    for i in range(n):
        lateral = ceiling(i, geo, env, rows[R_LATERAL, i])
        cap = rows[R_CAP, i] * rows[R_CAP, i]
        floor = rows[R_FLOOR, i] * rows[R_FLOOR, i]
        z[i] = max(min(lateral, cap), floor)
        tag[i] = LATERAL if lateral <= cap else CAP
        if floor > min(lateral, cap):
            tag[i] = KEPT
        if z[i] < z[slowest]:
            slowest = i
        if z[i] <= 0.0 and (closed or 0 < i < n - 1):
            return i
    if closed:
        if z[slowest] == math.inf:
            return slowest
        first, last = slowest, slowest
    else:
        first, last = 0, n - 1
        if z_end < z[last]:
            z[last] = z_end
        if z_start < z[first]:
            z[first] = z_start
    if z[last] < math.inf:
        status = sweep(z, tag, BRAKE, last, closed, geo, env, rows, modes_brake, modes_drive)
        if status != OK:
            return status
    status = sweep(z, tag, DRIVE, first, closed, geo, env, rows, modes_drive, modes_brake)
    if status != OK:
        return status
    for i in range(n if closed else n - 1):
        following = i + 1 if i + 1 < n else 0
        if i == 0:
            z[0] = math.sqrt(z[0])
        if following > 0:
            z[following] = math.sqrt(z[following])
        time[i] = 2.0 * geo[STEP, i] / (z[i] + z[following])
    return OK


@njit(cache=True, error_model="numpy", parallel=True)
def solve_many(geo, env, rows, modes_brake, modes_drive, closed, z_start, z_end, v, tag, time, status):
    """`solve_one` for each row of `v` (B, n); inputs with a single row serve all runs."""
    for index in prange(v.shape[0]):
        b = np.int64(index)  # prange counts unsigned, which numba would turn into float64
        status[b] = solve_one(
            v[b],
            tag[b],
            time[b],
            geo,
            env[b % env.shape[0]],
            rows[b % rows.shape[0]],
            modes_brake[b % modes_brake.shape[0]],
            modes_drive[b % modes_drive.shape[0]],
            closed,
            z_start,
            z_end,
        )


def geometry(line) -> np.ndarray:
    """What the kernels need of a line, shape (GEOMETRY_ROWS, n)."""
    geo = np.empty((GEOMETRY_ROWS, line.kappa.size))
    cos_bank, sin_bank, cos_grade = np.cos(line.bank), np.sin(line.bank), np.cos(line.grade)
    geo[LAT_SLOPE] = line.kappa * cos_bank
    geo[LAT_BANK] = G * sin_bank * cos_grade
    geo[NORMAL] = cos_grade * cos_bank
    geo[NORMAL_SLOPE] = (line.kappa_v + line.kappa * sin_bank) / G
    geo[CLIMB] = G * np.sin(line.grade)
    geo[STEP] = line.ds
    return geo
