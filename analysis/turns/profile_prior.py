"""What is held likely of a fit's coefficients before its readings are seen.

Level, drift, tilt (order 1) and saddle (order 2) are normally distributed, widely. From order 3 on most
orders of a turned flange are small and a few are not (a pull at the studs): Student's t with two degrees of
freedom, narrow with heavy tails. That is what tells the hand from the flange: a speed pattern that repeats
every turn bends the first two orders into a row of higher ones, which few flanges have.

Source: M. Tipping, "Sparse Bayesian learning and the relevance vector machine", Journal of Machine Learning
Research 1 (2001), from memory: Student's t as the prior that keeps few terms and leaves these alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.trace import FloatArray

_NU = 2.0
_SPARSE_FROM = 3
_SHARE = 0.01
_LEAST_UM = 0.3
_FALL = 0.5


def order_scales_um(orders: int, spread_um: float) -> FloatArray:
    """(orders,) scale of each order's cosine and sine, um, of readings that span `spread_um`."""
    k = np.arange(1, orders + 1)
    wide = np.maximum(0.7 * spread_um * k**-1.3, 0.02 * spread_um)
    few = max(_SHARE * spread_um, _LEAST_UM) * (_SPARSE_FROM / k) ** _FALL
    scale: FloatArray = np.where(k < _SPARSE_FROM, wide, np.minimum(wide, few))
    return scale


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """The prior of all coefficients of a fit.

    Attributes:
        narrow: (m,) precision of each where it is small, 1/um^2.
        first: place of the cosine of order 1; cosine and sine of each order follow one another.
        orders: how many orders there are.
    """

    narrow: FloatArray
    first: int
    orders: int

    @property
    def _sparse(self) -> slice:
        begins = min(_SPARSE_FROM - 1, self.orders)
        return slice(self.first + 2 * begins, self.first + 2 * self.orders)

    def _sizes(self, coefficients: FloatArray) -> FloatArray:
        """Squared size of each sparse order in its scale, cosine and sine together."""
        square = coefficients[self._sparse] ** 2 * self.narrow[self._sparse]
        return np.asarray(square.reshape(-1, 2).sum(axis=1))

    def precision(self, coefficients: FloatArray) -> FloatArray:
        """(m,) precision that pulls as the prior does at these coefficients."""
        precision = self.narrow.copy()
        precision[self._sparse] *= np.repeat((_NU + 2.0) / (_NU + self._sizes(coefficients)), 2)
        return precision

    def loss(self, coefficients: FloatArray) -> float:
        """Minus the logarithm of the density over that at 0."""
        normal = self.narrow * coefficients**2
        sizes = self._sizes(coefficients)
        tails = 0.5 * (_NU + 2.0) * float(np.log1p(sizes / _NU).sum())
        return 0.5 * float(normal.sum() - normal[self._sparse].sum()) + tails

    @property
    def log_at_zero(self) -> float:
        """Logarithm of the density at 0 but for the power of 2 pi that Laplace's approximation takes up.

        In two dimensions Student's t of any degrees of freedom is as high at 0 as the normal of its scale.
        """
        return 0.5 * float(np.log(self.narrow).sum())
