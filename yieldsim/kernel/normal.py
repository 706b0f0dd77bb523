"""The standard normal distribution: quantile and distribution function in full double accuracy, both tails.

The quantile is Wichura's Algorithm AS 241 (routine PPND16), Applied Statistics 37 (1988) 477-484: three
rational approximations of degree seven, about 1 part in 1e16.
"""

import math

from yieldsim.kernel.compiled import compiled

_SQRT_HALF = 0.7071067811865476

# Coefficients of numerators and denominators, ascending: the centre, the tails, the far tails.
_CENTRE_TOP = (
    3.3871328727963666080e0,
    1.3314166789178437745e2,
    1.9715909503065514427e3,
    1.3731693765509461125e4,
    4.5921953931549871457e4,
    6.7265770927008700853e4,
    3.3430575583588128105e4,
    2.5090809287301226727e3,
)
_CENTRE_BOTTOM = (
    1.0,
    4.2313330701600911252e1,
    6.8718700749205790830e2,
    5.3941960214247511077e3,
    2.1213794301586595867e4,
    3.9307895800092710610e4,
    2.8729085735721942674e4,
    5.2264952788528545610e3,
)
_TAIL_TOP = (
    1.42343711074968357734e0,
    4.63033784615654529590e0,
    5.76949722146069140550e0,
    3.64784832476320460504e0,
    1.27045825245236838258e0,
    2.41780725177450611770e-1,
    2.27238449892691845833e-2,
    7.74545014278341407640e-4,
)
_TAIL_BOTTOM = (
    1.0,
    2.05319162663775882187e0,
    1.67638483018380384940e0,
    6.89767334985100004550e-1,
    1.48103976427480074590e-1,
    1.51986665636164571966e-2,
    5.47593808499534494600e-4,
    1.05075007164441684324e-9,
)
_FAR_TOP = (
    6.65790464350110377720e0,
    5.46378491116411436990e0,
    1.78482653991729133580e0,
    2.96560571828504891230e-1,
    2.65321895265761230930e-2,
    1.24266094738807843860e-3,
    2.71155556874348757815e-5,
    2.01033439929228813265e-7,
)
_FAR_BOTTOM = (
    1.0,
    5.99832206555887937690e-1,
    1.36929880922735805310e-1,
    1.48753612908506148525e-2,
    7.86869131145613259100e-4,
    1.84631831751005468180e-5,
    1.42151175831644588870e-7,
    2.04426310338993978564e-15,
)


@compiled
def _polynomial(c, x):
    return ((((((c[7] * x + c[6]) * x + c[5]) * x + c[4]) * x + c[3]) * x + c[2]) * x + c[1]) * x + c[0]


@compiled
def ndtri_centre(q):
    """Return the score z of the probability 0.5 + q [-], |q| <= 0.425, accurate relative to itself."""
    r = 0.180625 - q * q
    return q * _polynomial(_CENTRE_TOP, r) / _polynomial(_CENTRE_BOTTOM, r)


@compiled
def ndtri_tail(p):
    """Return -z for the probability p [-] of the lower tail, 0 < p <= 0.075."""
    r = math.sqrt(-math.log(p))
    if r <= 5.0:
        return _polynomial(_TAIL_TOP, r - 1.6) / _polynomial(_TAIL_BOTTOM, r - 1.6)
    return _polynomial(_FAR_TOP, r - 5.0) / _polynomial(_FAR_BOTTOM, r - 5.0)


@compiled
def ndtri(u):
    """Return the standard normal quantile of u [-]: -inf at 0, inf at 1, NaN outside."""
    q = u - 0.5
    if abs(q) <= 0.425:
        return ndtri_centre(q)
    if 0.0 < u < 0.5:
        return -ndtri_tail(u)
    if 0.5 < u < 1.0:
        return ndtri_tail(1.0 - u)
    if u == 0.0:
        return -math.inf
    if u == 1.0:
        return math.inf
    return math.nan


@compiled
def ndtr(z):
    """Return the standard normal distribution function at z [-], relatively accurate in the lower tail."""
    return 0.5 * math.erfc(-z * _SQRT_HALF)


@compiled
def centred_ndtr(z):
    """Return ``ndtr(z) - 0.5`` [-] with full relative accuracy near z = 0."""
    return 0.5 * math.erf(z * _SQRT_HALF)
