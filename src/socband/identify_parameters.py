"""The parameter vector of a fit: which number is what, its priors, and how rough a curve may be.

All parameters are in spreads of their family's priors: logarithms (shares: logits) of numbers and
of factors over the charge, and, last, how far OCV and dU/dT move from what low-rate branches say
of them. Those know the plateau to some millivolts, and it rises by so little that one
millivolt is some per cent of charge; records that pass it both ways, at several temperatures, know
it better. They move a curve by about its stated spread, smoothly, and not at the low end, where it
is steep and what errs is the charge.
"""

from __future__ import annotations

import numpy as np

from socband import identify_family as family

Array = np.ndarray

NAMES = tuple(family.PRIORS)
N_R = len(family.R_SOC)
_NODES = (len(NAMES), *[N_R] * 3, len(family.LAG_SOC), len(family.OCV_MOVES_SOC),
          len(family.ENTROPY_MOVES_SOC))  # fmt: skip
_ENDS = np.cumsum(_NODES)
_NUMBERS, *_FACTORS, LAG_NODES, OCV_MOVES, ENTROPY_MOVES = (
    slice(int(end) - size, int(end)) for end, size in zip(_ENDS, _NODES, strict=True)
)
SIZE = int(_ENDS[-1])
_ROUGH = 0.4  # spread of the step from one node to the next, in spreads of a factor
_ROUGH_LAG = 0.5
_ALIKE_SOC = 0.15  # moves of a curve this far apart are alike by 1/e (assumed)


def _logit(p: float) -> float:
    return float(np.log(p / (1.0 - p)))


def numbers(p: Array, priors: dict[str, family.Prior]) -> dict[str, float]:
    """Named numbers of a parameter vector, in the family's units."""
    out = {}
    for k, name in enumerate(NAMES):
        prior = priors[name]
        if name.startswith("share"):
            out[name] = float(1.0 / (1.0 + np.exp(-(_logit(prior.median) + prior.spread * p[k]))))
        else:
            out[name] = float(prior.median * np.exp(prior.spread * p[k]))
    return out


def factors(
    p: Array, r_spread: tuple[float, float, float] = family.R_SPREAD
) -> tuple[Array, Array, Array, Array]:
    """Factors of R0, R1, R2 at R_SOC and the lag at LAG_SOC."""
    r0, r1, r2 = (np.exp(s * p[part]) for s, part in zip(r_spread, _FACTORS, strict=True))
    lag = family.LAG_MEDIAN * np.exp(family.LAG_SPREAD * p[LAG_NODES])
    return r0, r1, r2, lag


def factor_nodes(k: int) -> slice:
    """Where the factors of R0, R1 or R2 stand."""
    return _FACTORS[k]


def curve_moves(p: Array, soc: Array) -> tuple[Array, Array]:
    """How far OCV and dU/dT move at a charge, in their spreads; nothing up to `MOVES_ABOVE`."""
    ocv = np.interp(soc, (family.MOVES_ABOVE, *family.OCV_MOVES_SOC), (0.0, *p[OCV_MOVES]))
    entropy = np.interp(
        soc, (family.MOVES_ABOVE, *family.ENTROPY_MOVES_SOC), (0.0, *p[ENTROPY_MOVES])
    )
    return ocv, entropy


def prior_residuals(p: Array) -> Array:
    """Unit normals: the priors, and how rough the factors and moves over the charge are.

    Args:
        p: (SIZE,), or without the moves where the curves are held.
    """
    lag = p[LAG_NODES]
    parts = [p[_NUMBERS], *(p[part] for part in _FACTORS)]
    parts += [np.diff(p[part]) / _ROUGH for part in _FACTORS]
    parts += [lag.mean(keepdims=True), np.diff(lag) * family.LAG_SPREAD / _ROUGH_LAG]
    if len(p) == SIZE:
        parts.append(_stationary(p[OCV_MOVES], family.OCV_MOVES_SOC))
        parts.append(_stationary(p[ENTROPY_MOVES], family.ENTROPY_MOVES_SOC))
    return np.concatenate(parts)


def _stationary(x: Array, soc: tuple[float, ...]) -> Array:
    """Unit normals of a curve of unit spread at every node: the first, and each given the last."""
    alike = np.exp(-np.diff(soc) / _ALIKE_SOC)
    return np.concatenate([x[:1], (x[1:] - alike * x[:-1]) / np.sqrt(1.0 - alike**2)])
