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

# One file: numba's cache looks at the date of a function's own file only, not at what that function calls elsewhere.

import math

from numba import njit

from simlap.line import CLIMB, LAT_BANK, LAT_SLOPE, NORMAL, NORMAL_SLOPE, STEP

BRAKE, DRIVE = 0, 1
# What holds the speed at a station down
LATERAL, BRAKING, ENGINE, TRACTION, CAP, KEPT = range(6)
OWN_NONE, OWN_REPLACES, OWN_AT_LEAST = 0, 1, 2
# Rows of the per-station limits
R_CAP, R_FLOOR, R_LATERAL, R_BRAKE, R_DRIVE, R_TRACTION, R_OWN_BRAKE, R_OWN_DRIVE = range(8)
LIMIT_ROWS = 8
# Packed envelope (`envelope_packed.Packed`): exponent under braking, with that under drive behind it, cornering drag;
# speed step of the engine curve, speed cap, first of the drag's three values, first value of the curve, their number
ENV_EXPONENT, ENV_CORNERING = 8, 10
ENV_STEP, ENV_CAP, ENV_DRAG, ENV_CURVE, ENV_POINTS = 11, 12, 13, 16, 64
NO_CAP = 1.0e3  # [m/s] stands for none

# Newton stops at a step of this share of z; it converges quadratically, so what is left is near rounding.
STEP_TOLERANCE = 1e-6
MAX_NEWTON = 60
# Below this a limit counts as none at all; avoids 0/0 at a crest where the tyres carry no load. [m/s²]
TINY = 1e-12
# An engine curve at the traction limit (an envelope without an engine) is not looked at for the sake of rounding.
ENGINE_SLACK = 1.0 + 1e-9
# A second traverse ends where it changes z by less than this share.
SETTLED = 1e-12
MAX_TRAVERSES = 200
OK, UNLIMITED = -1, -2  # any other status is the station at which no speed is left

_jit = njit(cache=True, error_model="numpy")
_inlined = njit(error_model="numpy", forceinline=True)  # a third faster than calls


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


@_inlined
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


@_inlined
def engine(v, a_lat, env, scale):
    """Acceleration at full throttle on the level beside `a_lat`, and the slope of its curve over v."""
    at = v / env[ENV_STEP]
    j = min(int(at), ENV_POINTS - 2)
    rise = env[ENV_CURVE + j + 1] - env[ENV_CURVE + j]
    at -= j
    drag = env[ENV_CORNERING] * a_lat * a_lat
    if at >= 1.0:
        return env[ENV_CURVE + j + 1] * scale - drag, 0.0
    return (env[ENV_CURVE + j] + rise * at) * scale - drag, rise * scale / env[ENV_STEP]


@_inlined
def slowing(z, i, kind, geo, env):
    """Drag at station i [m/s²], positive where it takes from the limit `kind` (drive), negative where it adds to it
    (braking), and its derivative by z."""
    sign = 1.0 if kind == DRIVE else -1.0
    a = geo[LAT_SLOPE, i] * z - geo[LAT_BANK, i]
    drag = env[ENV_DRAG] + env[ENV_DRAG + 1] * z + env[ENV_DRAG + 2] * a * a
    return sign * drag, sign * (env[ENV_DRAG + 1] + 2.0 * env[ENV_DRAG + 2] * a * geo[LAT_SLOPE, i])


@_inlined
def force(kind, env, scale):
    """Pair (constant, z term) of what the tyres give along the road without lateral load: the limit without its drag.
    [m/s², 1/m]"""
    sign = 1.0 if kind == DRIVE else -1.0
    return (
        (env[4 + 2 * kind] + sign * env[ENV_DRAG]) * scale,
        (env[5 + 2 * kind] + sign * env[ENV_DRAG + 1]) * scale,
    )


@_inlined
def tyres(z, i, kind, geo, env, lateral_scale, scale):
    """What the tyres alone give along the road at station i without lateral load [m/s²], the share of the lateral
    limit in use, and that share's derivative by z."""
    _, used, d_used, normal, _ = load(z, i, geo, env, lateral_scale)
    t0, t1 = force(kind, env, scale)
    return max(t0 + t1 * z, 0.0) * normal, used, d_used


@_inlined
def left_over(used, p):
    """Share of the limit along the road that the lateral load leaves, (1 - used^p)^(1/p)."""
    if used >= 1.0:
        return 0.0
    if p == 2.0:
        return math.sqrt(1.0 - used * used)
    return (1.0 - used**p) ** (1.0 / p)


@_inlined
def furthest(z, along, pure, used, d_used, p, ds, drag, d_drag):
    """Largest y + ds T(y) over y <= z, T what the tyres give at one station less the drag; ``along`` is T(z), ``drag``
    and ``d_drag`` the drag there and its derivative.

    Where the tyres are nearly used up sideways T falls steeply, and a slightly lower speed reaches further; that
    point is taken on the superellipse that touches the limits at z. With w = (ds T0 dused/dz)^(p / (p - 1)) it
    lies at used^p = 1 / (1 + w) (Hölder's inequality).
    """
    reach = z + ds * along
    gain = 1.0 - ds * d_drag
    slope = ds * pure * d_used / gain
    # below both of these used^p (1 + w) < 1 for every p up to 3
    if (used < 0.9 and slope < 0.2) or slope <= 0.0 or p <= 1.0:
        return reach
    if p == 2.0:
        w = slope * slope
        best = 1.0 / math.sqrt(1.0 + w)
        left = slope * best
    else:
        w = slope ** (p / (p - 1.0))
        best = (1.0 / (1.0 + w)) ** (1.0 / p)
        left = (w / (1.0 + w)) ** (1.0 / p)
    if used <= best:
        return reach
    less = (used - best) / d_used
    return max(reach, z - gain * less + ds * (pure * left - drag))


@_jit
def tyre_root(rho, hi, guess, i, ds, kind, geo, env, lateral_scale, scale):
    """Largest z in [max(rho, 0), hi] with z <= rho + ds T_i(z), -1 when there is none.

    Written as ((z - rho) / (ds T0))^p + used^p <= 1: smooth up to the ceiling, where T_i itself has infinite slope.
    A friction ellipse that does not change with speed has a closed form; else Newton in a bracket.
    """
    t0, t1 = force(kind, env, scale)
    p = env[ENV_EXPONENT + kind]
    slope, q = geo[LAT_SLOPE, i], geo[NORMAL_SLOPE, i]
    drag, d_drag = slowing(max(rho, 0.0), i, kind, geo, env)
    free = drag == 0.0 and d_drag == 0.0
    if free and p == 2.0 and t1 == 0.0 and q == 0.0 and geo[LAT_BANK, i] == 0.0:
        c0, c1 = (env[0], env[1]) if slope >= 0.0 else (env[2], env[3])
        if c1 == 0.0:
            room = ds * t0 * geo[NORMAL, i]
            w = slope / (c0 * lateral_scale * geo[NORMAL, i])
            w *= w
            stretch = 1.0 + w * room * room
            inside = room * room * stretch - w * rho * rho * (room * room)
            if inside < 0.0:
                return rho
            return min(max((rho + math.sqrt(inside)) / stretch, rho), hi)
    lo, top = max(rho - ds * max(drag, 0.0), 0.0), hi  # drag grows with z, so that the tyres carry the lower end
    tried_top = False
    z = min(max(guess, lo), hi)
    for _ in range(MAX_NEWTON):
        _, used, d_used, normal, _ = load(z, i, geo, env, lateral_scale)
        pure = max((t0 + t1 * z) * normal, TINY)
        drag, d_drag = slowing(z, i, kind, geo, env)
        m = max((z - rho) / ds + drag, 0.0) / pure
        d_m = ((1.0 / ds + d_drag) - m * (t1 * normal + (t0 + t1 * z) * q)) / pure
        if p == 2.0:
            f = m * m + used * used - 1.0
            rate = 2.0 * (m * d_m + used * d_used)
        else:
            m_p, used_p = m**p, used**p
            f = m_p + used_p - 1.0
            rate = p * ((m_p / m * d_m if m > 0.0 else 0.0) + (used_p / used * d_used if used > 0.0 else 0.0))
        if f <= 0.0:
            if z >= hi:
                return hi
            lo = z
        else:
            if z <= lo:  # nothing is left at the lower end: either it stands, or there is no speed at all
                return z if rho >= 0.0 else -1.0
            top, tried_top = z, True
        new = z - f / rate
        if abs(new - z) <= STEP_TOLERANCE * z:
            return min(new, hi)
        if not new < top:
            if top == math.inf:
                new = 2.0 * z + ds * pure
            elif tried_top:
                new = 0.5 * (lo + top)
            else:
                new = top
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
        slope -= 4.0 * env[ENV_CORNERING] * a_lat * geo[LAT_SLOPE, i] * v
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


@_inlined
def explicit_half(z, i, ds, kind, along, geo, env, lateral_scale, scale):
    """z + ds T_i(z) in the sense of `furthest`; ``along`` is T_i(z) if known, else negative."""
    pure, used, d_used = tyres(z, i, kind, geo, env, lateral_scale, scale)
    drag, d_drag = slowing(z, i, kind, geo, env)
    if along < 0.0:
        along = pure * left_over(used, env[ENV_EXPONENT + kind]) - drag
    return furthest(z, along, pure, used, d_used, env[ENV_EXPONENT + kind], ds, drag, d_drag)


@_inlined
def tyres_carry(z, rho, i, ds, kind, geo, env, lateral_scale, scale):
    """Whether z <= rho + ds T_i(z)."""
    drag, _ = slowing(z, i, kind, geo, env)
    if z <= rho - ds * drag:
        return True
    pure, used, _ = tyres(z, i, kind, geo, env, lateral_scale, scale)
    m = ((z - rho) / ds + drag) / max(pure, TINY)
    if m + used <= 1.0:  # the diamond lies inside every superellipse
        return True
    p = env[ENV_EXPONENT + kind]
    return m**p + used**p <= 1.0


@_inlined
def drive_step(z, top, j, i, ds, along, before, cause, weakest, geo, env, rows):
    """Largest z at station i <= top that the drive reaches from z at j = i - 1, what limits it, and the limit.

    ``along`` is the limit at j if the step to j found it, ``before`` the one at the station before, ``cause`` what
    it was; ``weakest`` is the least value of the engine curve, which often shows without a look at the curve that
    the engine does not limit.
    """
    throttle, grip = rows[R_DRIVE, j], rows[R_DRIVE, j] * rows[R_TRACTION, j]
    if cause == ENGINE:
        reach = z + ds * along
    else:
        reach = explicit_half(z, j, ds, DRIVE, along, geo, env, rows[R_LATERAL, j], grip)
        a_lat = geo[LAT_SLOPE, j] * z - geo[LAT_BANK, j]
        if reach - z > ENGINE_SLACK * ds * (weakest * throttle - env[ENV_CORNERING] * a_lat * a_lat):
            power, _ = engine(math.sqrt(z), a_lat, env, throttle)
            reach = min(reach, z + ds * power)
    rho = reach - ds * (geo[CLIMB, j] + geo[CLIMB, i])
    guess = rho + (reach - z)
    if before >= 0.0 and along >= 0.0:
        guess += ds * (along - before)
    lateral_scale, throttle, grip = rows[R_LATERAL, i], rows[R_DRIVE, i], rows[R_DRIVE, i] * rows[R_TRACTION, i]
    if cause == ENGINE:
        found, why = engine_root(rho, top, guess, i, ds, 1.0, geo, env, throttle), ENGINE
        if not tyres_carry(found, rho, i, ds, DRIVE, geo, env, lateral_scale, grip):
            found, why = tyre_root(rho, found, guess, i, ds, DRIVE, geo, env, lateral_scale, grip), TRACTION
    else:
        found, why = top, TRACTION
        drag, _ = slowing(top, i, DRIVE, geo, env)
        if not rho - ds * drag >= top:  # top may be infinite
            found = tyre_root(rho, top, guess, i, ds, DRIVE, geo, env, lateral_scale, grip)
        a_lat = geo[LAT_SLOPE, i] * found - geo[LAT_BANK, i]
        if found - rho > ENGINE_SLACK * ds * (weakest * throttle - env[ENV_CORNERING] * a_lat * a_lat):
            power, _ = engine(math.sqrt(max(found, 0.0)), a_lat, env, throttle)
            if found > rho + ds * power:
                found, why = engine_root(rho, found, guess, i, ds, 1.0, geo, env, throttle), ENGINE
    return found, why, (found - rho) / ds


@_inlined
def brake_step(z, top, j, i, ds, along, before, weakest, geo, env, rows):
    """Largest z at station i <= top from which braking comes down to z at j = i + 1, and the limit at i.

    At full throttle drag may slow the car more than the tyres could: that is allowed too. More power then allows less
    of it, unless the envelope's own drag, which slows with the throttle closed, is as large.
    """
    climb = ds * (geo[CLIMB, j] + geo[CLIMB, i])
    if z + climb >= top:  # even without brakes
        return top, -1.0
    throttle = rows[R_DRIVE, j]
    reach = explicit_half(z, j, ds, BRAKE, along, geo, env, rows[R_LATERAL, j], rows[R_BRAKE, j])
    a_lat = geo[LAT_SLOPE, j] * z - geo[LAT_BANK, j]
    if weakest * throttle < env[ENV_CORNERING] * a_lat * a_lat:
        power, _ = engine(math.sqrt(z), a_lat, env, throttle)
        reach = max(reach, z - ds * power)
    rho = reach + climb
    if rho >= top:
        return top, -1.0
    guess = rho + (reach - z)
    if before >= 0.0 and along >= 0.0:
        guess += ds * (along - before)
    found = tyre_root(rho, top, guess, i, ds, BRAKE, geo, env, rows[R_LATERAL, i], rows[R_BRAKE, i])
    throttle = rows[R_DRIVE, i]
    a_lat = geo[LAT_SLOPE, i] * found - geo[LAT_BANK, i]
    if found < top and weakest * throttle < env[ENV_CORNERING] * a_lat * a_lat:
        found = max(found, engine_root(rho, top, guess, i, ds, -1.0, geo, env, throttle))
    return found, (found - rho) / ds


@_inlined
def fading(z, j, ds, geo, env, rows):
    """How much less the engine gives at z than at the speed at which the own acceleration was driven. [m/s²]

    That speed is the floor; 0 where there is none or where the car is no faster. At most so much that arriving
    faster never means leaving slower.
    """
    driven = rows[R_FLOOR, j]
    excess = z - driven * driven
    if driven == 0.0 or excess <= 0.0:
        return 0.0
    slope, bank = geo[LAT_SLOPE, j], geo[LAT_BANK, j]
    then, _ = engine(driven, slope * driven * driven - bank, env, rows[R_DRIVE, j])
    now, _ = engine(math.sqrt(z), slope * z - bank, env, rows[R_DRIVE, j])
    return min(max(then - now, 0.0), 0.5 * excess / ds)


@_jit
def sweep(z, tag, kind, start, closed, geo, env, rows, modes, other_modes):
    """Lower z (n,) until no segment asks for more than its limit; `z` comes in as the ceiling.

    Drive goes forwards from station `start`, braking backwards. A closed lap is traversed until nothing changes:
    once, unless a slope or a kept acceleration pulls the slowest station down. Returns OK, or the station with no
    speed left.
    """
    n = z.size
    forward = kind == DRIVE
    weakest = env[ENV_CURVE]
    for k in range(1, ENV_POINTS):
        weakest = min(weakest, env[ENV_CURVE + k])
    count = n * MAX_TRAVERSES if closed else (n - 1 - start if forward else start)
    j, along, before, cause = start, -1.0, -1.0, KEPT
    for k in range(count):
        if forward:
            i = j + 1 if j + 1 < n else 0
            segment = j
        else:
            i = j - 1 if j > 0 else n - 1
            segment = i
        ds = geo[STEP, segment]
        top = z[i]
        new, why, limit = -math.inf, KEPT, -1.0
        if modes[segment] != OWN_NONE:
            new = z[j] + 2.0 * ds * rows[R_OWN_BRAKE + kind, segment]
            if forward and modes[segment] == OWN_REPLACES:
                new -= 2.0 * ds * fading(z[j], j, ds, geo, env, rows)
        if other_modes[segment] == OWN_REPLACES:  # a car that cannot but do this is able to do it
            new = max(new, z[j] - 2.0 * ds * rows[R_OWN_DRIVE - kind, segment])
        if modes[segment] != OWN_REPLACES and new < top:
            if forward:
                found, cause, limit = drive_step(z[j], top, j, i, ds, along, before, cause, weakest, geo, env, rows)
            else:
                found, limit = brake_step(z[j], top, j, i, ds, along, before, weakest, geo, env, rows)
                cause = BRAKING
            if found > new:
                new, why = found, cause
        if closed and k >= n - 1 and new >= top * (1.0 - SETTLED):
            return OK
        before, along, cause = along, -1.0, KEPT
        if new < top:
            if new <= 0.0:
                return i
            z[i], tag[i] = new, why
            if why != KEPT:
                along, cause = limit, why
        j = i
    return i if closed else OK


@_jit
def solve_one(z, tag, time, geo, env, rows, modes_brake, modes_drive, closed, z_start, z_end):
    """Fastest z (n,) of one run, its tags and segment times; returns OK or the station with no speed left."""
    n = z.size
    slowest = 0
    for i in range(n):
        lateral = ceiling(i, geo, env, rows[R_LATERAL, i])
        cap = rows[R_CAP, i] if env[ENV_CAP] >= NO_CAP else min(rows[R_CAP, i], env[ENV_CAP])
        cap *= cap
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
        first, last = slowest, slowest
    else:
        first, last = n - n, n - 1  # a plain 0 is a type of its own, and would have the sweep compiled twice
        if z_end < z[last]:
            z[last], tag[last] = z_end, CAP
        if z_start < z[first]:
            z[first], tag[first] = z_start, CAP
        while last > 0 and z[last] == math.inf:
            last -= 1
    if z[last] == math.inf:
        return UNLIMITED
    # Either order gives the same profile. Drive first is faster, for braking then skips all that speeds up; but an
    # open run whose first station has no ceiling is finite only after braking.
    drive_first = z[first] < math.inf
    if drive_first and not closed:
        last = n - 1
    for turn in range(2):
        if drive_first == (turn == 0):
            status = sweep(z, tag, DRIVE, first, closed, geo, env, rows, modes_drive, modes_brake)
        else:
            status = sweep(z, tag, BRAKE, last, closed, geo, env, rows, modes_brake, modes_drive)
        if status != OK:
            return status
    for i in range(n):
        if geo[LAT_BANK, i] * geo[LAT_SLOPE, i] > 0.0 and rows[R_FLOOR, i] == 0.0:
            a_lat, used, _, _, _ = load(z[i], i, geo, env, rows[R_LATERAL, i])
            if used > 1.0 + STEP_TOLERANCE and a_lat * geo[LAT_SLOPE, i] < 0.0:
                return i  # too slow: the car slides down the bank
        z[i] = math.sqrt(z[i])
    for i in range(n if closed else n - 1):
        both = z[i] + z[i + 1 if i + 1 < n else 0]
        if both == 0.0:
            return i
        time[i] = 2.0 * geo[STEP, i] / both
    return OK


@njit(cache=True, error_model="numpy", nogil=True)
def solve_rows(first, last, geo, env, rows, modes_brake, modes_drive, closed, z_start, z_end, v, tag, time, status):
    """`solve_one` for the rows first <= b < last of `v` (B, n); inputs with a single row serve all runs.

    Holds no lock of the interpreter, so that several threads can each take a share of the rows.
    """
    for b in range(first, last):
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
