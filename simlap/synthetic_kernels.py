"""Compiled sweeps of the synthetic drive: floats and float64 arrays, nothing else.

`road` is the table of `Road.table`, shape (7, n); `car` is that of `car_vector`, shape (14,); `engine` that of
`engine_table`; `grip` (n,) scales the tyres' limits. The places in the first two are named below.
"""

import numpy as np
from numba import njit

from simlap.units import G

# Step and end of the table that the engine curve is read from; finer than any curve bends.
ENGINE_STEP = 0.1  # [m/s]
ENGINE_TOP = 140.0  # [m/s]
# Deceleration of a car off both pedals: rolling and engine braking, and air (invented, common size).
COAST_CONSTANT = 0.7  # [m/s²]
COAST_SQUARE = 0.0005  # [1/m]
# The same with the clutch open, during a gear change.
SHIFT_CONSTANT = 0.2  # [m/s²]
# Nobody changes gear on a car that hardly pulls; avoids gear changes in mid-corner.
SHIFT_PULL = 0.8  # [m/s²]
# Share of the up-change's speed below which the next lower gear is taken, so that no gear is changed to and fro.
DOWNSHIFT = 0.92
# g_n over g is taken for no less: a crest that lifts the car would leave nothing to divide by.
LEAST_LOAD = 0.05
# Speed below which a car is treated as rolling at this speed, so that times stay finite.
V_CREEP = 0.5  # [m/s]
# Ceiling where the road is straight.
Z_TOP = ENGINE_TOP**2  # [m²/s²]

# Rows of `road`: path length to the next point [m]; curvature and vertical curvature [1/m]; sine, cosine of the slopes
DS, KAPPA, KAPPA_V, SIN_GRADE, COS_GRADE, SIN_BANK, COS_BANK = range(7)
# Places in `car`: first of the pairs (constant [m/s²], v² term [1/m]) of each limit; exponents; cornering drag [s²/m];
# drag that costs no grip: constant [m/s²], v² term [1/m], a_lat² term [s²/m]
LEFT, RIGHT, BRAKING, TRACTION = 0, 2, 4, 6
EXPONENT_BRAKING, EXPONENT_DRIVE, CORNERING, DRAG, DRAG_V2, DRAG_LATERAL2 = range(8, 14)

NORMAL, COAST, HOLD = 0, 1, 2  # what the driver's right foot may do at a station


@njit(cache=True)
def _demand(road, i, z):
    """Signed lateral demand on the tyres [m/s²] and g_n / g at point i for z = v²."""
    y = z * road[KAPPA, i] * road[COS_BANK, i] - G * road[SIN_BANK, i] * road[COS_GRADE, i]
    normal = road[COS_GRADE, i] * road[COS_BANK, i] + z * (road[KAPPA_V, i] + road[KAPPA, i] * road[SIN_BANK, i]) / G
    return y, max(normal, LEAST_LOAD)


@njit(cache=True)
def _used(car, grip, y, normal, z):
    """Share of the lateral limit in use, at most 1."""
    c0, c1 = (car[LEFT], car[LEFT + 1]) if y >= 0.0 else (car[RIGHT], car[RIGHT + 1])
    return min(abs(y) / ((c0 + c1 * z) * normal * grip), 1.0)


@njit(cache=True)
def _left_over(used, p):
    """Share of the longitudinal limit beside a used share of the lateral one: (1 - used^p)^(1/p)."""
    if p == 2.0:
        return np.sqrt(1.0 - used * used)
    return (1.0 - used**p) ** (1.0 / p)


@njit(cache=True)
def braking_force(road, car, grip, i, z):
    """Deceleration that tyres and drag give at point i for z = v² [m/s²], without gravity."""
    y, normal = _demand(road, i, z)
    used = _used(car, grip, y, normal, z)
    drag = car[DRAG] + car[DRAG_V2] * z
    tyres = (car[BRAKING] + car[BRAKING + 1] * z - drag) * normal * grip * _left_over(used, car[EXPONENT_BRAKING])
    return tyres + drag + car[DRAG_LATERAL2] * y * y


@njit(cache=True)
def driving_force(road, car, engine, grip, i, z):
    """Acceleration the tyres give at full throttle at point i for z = v² [m/s²], without gravity."""
    y, normal = _demand(road, i, z)
    used = _used(car, grip, y, normal, z)
    drag = car[DRAG] + car[DRAG_V2] * z
    pull = (
        (car[TRACTION] + car[TRACTION + 1] * z + drag) * normal * grip * _left_over(used, car[EXPONENT_DRIVE])
        - drag
        - car[DRAG_LATERAL2] * y * y
    )
    place = min(np.sqrt(z) / ENGINE_STEP, engine.size - 1.001)
    j = int(place)
    push = engine[j] + (place - j) * (engine[j + 1] - engine[j]) - car[CORNERING] * y * y
    return min(push, pull)


@njit(cache=True)
def corner_ceiling(road, car, grip):
    """Largest v² the lateral limit allows at each point, shape (n,): the smaller positive root of

    ±(z kappa cos(bank) - g sin(bank) cos(grade)) = (c0 + c1 z) grip (P + Q z), with g_n / g = P + Q z.
    """
    n = road.shape[1]
    ceiling = np.full(n, Z_TOP)
    for i in range(n):
        p = road[COS_GRADE, i] * road[COS_BANK, i]
        q = (road[KAPPA_V, i] + road[KAPPA, i] * road[SIN_BANK, i]) / G
        for turn in (1.0, -1.0):
            c0, c1 = (car[LEFT], car[LEFT + 1]) if turn > 0 else (car[RIGHT], car[RIGHT + 1])
            qa = c1 * q * grip[i]
            qb = (c0 * q + c1 * p) * grip[i] - turn * road[KAPPA, i] * road[COS_BANK, i]
            qc = c0 * p * grip[i] + turn * G * road[SIN_BANK, i] * road[COS_GRADE, i]
            # f(z) = qa z² + qb z + qc is positive at z = 0; the first root above 0 is the ceiling.
            root = Z_TOP
            square = qb * qb - 4.0 * qa * qc
            if abs(qa) < 1e-14:
                if qb < 0.0:
                    root = -qc / qb
            elif square >= 0.0:
                w = -0.5 * (qb + np.copysign(np.sqrt(square), qb))
                for r in (w / qa, qc / w if w != 0.0 else Z_TOP):
                    if 0.0 < r < root:
                        root = r
            ceiling[i] = min(ceiling[i], root)
    return ceiling


@njit(cache=True)
def plan_back(road, car, grip, ceiling, share, release_s, z_end):
    """Largest v² at each point from which the driver's braking still meets every ceiling ahead.

    `share` (n,) is the part of the braking limit in use; `release_s` (n,) the time to let go of full brakes
    (0: no time), which bounds how fast the deceleration grows when looked at backwards.
    """
    n = ceiling.size
    z = np.empty(n)
    z[n - 1] = min(ceiling[n - 1], z_end)
    felt = slow = 0.0
    for i in range(n - 2, -1, -1):
        ds = road[DS, i]
        ahead = z[i + 1]
        half = ahead + ds * max(slow, 0.0)  # midpoint rule, with the slope of the segment ahead as predictor
        slow = share[i] * 0.5 * (
            braking_force(road, car, grip[i], i, half) + braking_force(road, car, grip[i + 1], i + 1, half)
        ) + G * 0.5 * (road[SIN_GRADE, i] + road[SIN_GRADE, i + 1])
        if release_s[i] > 0.0:
            rate = (car[BRAKING] + car[BRAKING + 1] * half) / release_s[i]
            slow = min(slow, max(felt, 0.0) + rate * ds / max(np.sqrt(half), V_CREEP))
        z[i] = min(ceiling[i], ahead + 2.0 * ds * slow)
        felt = (z[i] - ahead) / (2.0 * ds)
    return z


@njit(cache=True)
def drive_on(road, car, engine, grip, plan, share, foot, pickup_s, release_s, shift_s, upshift, z_start):
    """Drive forward below `plan`; returns v² (n,) and the gear (n,) counted from 1.

    share : (n,) part of the available drive in use; foot : (n,) NORMAL, COAST or HOLD (no more speed)
    pickup_s, release_s : (n,) times to open the throttle fully and to let go of the brakes [s]
    shift_s : (n,) duration of a gear change [s]; upshift : (k,) speeds of the up-changes [m/s]
    """
    n = plan.size
    z = np.empty(n)
    gears = np.empty(n)
    z[0] = min(plan[0], z_start)
    felt = 0.0
    gear = 0
    while gear < upshift.size and np.sqrt(z[0]) > upshift[gear]:
        gear += 1
    open_clutch = 0.0
    pull = driving_force(road, car, engine, grip[0], 0, z[0])
    for i in range(n - 1):
        gears[i] = gear + 1
        ds = road[DS, i]
        here = z[i]
        v = max(np.sqrt(here), V_CREEP)
        dt = ds / v
        slope = G * 0.5 * (road[SIN_GRADE, i] + road[SIN_GRADE, i + 1])
        while gear > 0 and v < DOWNSHIFT * upshift[gear - 1]:
            gear -= 1
        half = max(here + ds * (pull - slope), V_CREEP**2)  # midpoint rule, predicted by the segment behind
        pull = 0.5 * (
            driving_force(road, car, engine, grip[i], i, half)
            + driving_force(road, car, engine, grip[i + 1], i + 1, half)
        )
        push = share[i] * pull if pull > 0.0 else pull
        if foot[i] == COAST:
            grip_left = braking_force(road, car, grip[i], i, here)
            push = min(push, -min(COAST_CONSTANT + COAST_SQUARE * here, grip_left))
        elif foot[i] == HOLD:
            push = min(push, slope)
        gain = push - slope
        if gain > 0.0 and open_clutch <= 0.0:
            rise = gain
            if felt < 0.0 and release_s[i] > 0.0:
                rise = felt + (car[BRAKING] + car[BRAKING + 1] * here) / release_s[i] * dt
            elif felt >= 0.0 and pickup_s[i] > 0.0:
                rise = felt + max(pull, SHIFT_PULL) / pickup_s[i] * dt
            gain = min(gain, rise)
        if open_clutch > 0.0:  # the part of this segment that the gear change takes
            part = min(open_clutch / dt, 1.0)
            grip_left = braking_force(road, car, grip[i], i, here)
            rolling = -min(SHIFT_CONSTANT + COAST_SQUARE * here, grip_left) - slope
            gain = (1.0 - part) * gain + part * min(gain, rolling)
        changing = open_clutch > 0.0
        open_clutch -= dt
        z[i + 1] = min(plan[i + 1], max(here + 2.0 * ds * gain, V_CREEP**2))
        actual = (z[i + 1] - here) / (2.0 * ds)
        if not changing:
            felt = actual
        if gear < upshift.size and np.sqrt(z[i + 1]) > upshift[gear] and actual > SHIFT_PULL and open_clutch <= 0.0:
            gear += 1
            open_clutch = shift_s[i]
    gears[n - 1] = gear + 1
    return z, gears
