"""An envelope as one vector of numbers, as the solver's kernel and the draws hold it: where each part of it lies."""

# Number of speeds at which a packed envelope holds the engine curve: over 0..80 m/s they are 1.3 m/s apart, so that
# a change of gear is a step there as well.
ENGINE_POINTS = 64
ENVELOPE_SIZE = 16 + ENGINE_POINTS  # the curve stands last
NO_SPEED_CAP = 1.0e3  # [m/s] stands for "none" in a packed envelope, which holds finite numbers alone; as in _kernels


class Packed:
    """Where the parts of an envelope lie in its packed vector, shape (ENVELOPE_SIZE,), or in the columns of draws."""

    LEFT, RIGHT, BRAKING, TRACTION = (slice(k, k + 2) for k in range(0, 8, 2))  #: pairs (constant, v² term)
    LATERAL = slice(LEFT.start, RIGHT.stop)  #: both sides
    LIMITS = slice(LEFT.start, TRACTION.stop)  #: all four pairs
    V2_TERMS = slice(LEFT.start + 1, TRACTION.stop, 2)  #: of them
    EXPONENT_BRAKING, EXPONENT_DRIVE, CORNERING_DRAG = 8, 9, 10
    EXPONENTS = slice(EXPONENT_BRAKING, EXPONENT_DRIVE + 1)
    ENGINE_STEP, SPEED_CAP = 11, 12  #: from one speed of the engine curve to the next; both [m/s]
    DRAG = slice(13, 16)  #: r0, r1, r2
    ENGINE = slice(DRAG.stop, ENVELOPE_SIZE)  #: accelerations at v = j * step
