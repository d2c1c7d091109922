"""Linear least squares by QR, with the covariance of what was fitted.

The columns of the design may differ by many powers of ten; they are scaled to
one length first, so that the judgement "these columns cannot be told apart"
does not depend on the units somebody chose.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from steelyard.errors import CalibrationError, PoorFitError

Array: TypeAlias = NDArray[np.float64]

_DEPENDENT = 1e-10
"""A column with less than this share of its own left counts as dependent."""


@dataclass(frozen=True)
class LeastSquares:
    """Result of ``solve``.

    ``estimates`` (p); ``inverse_normal`` (p, p) = (XᵀX)⁻¹; ``projector`` (p, n)
    maps responses to estimates; ``residuals`` (n).
    """

    estimates: Array
    inverse_normal: Array
    projector: Array
    residuals: Array

    @property
    def degrees_of_freedom(self) -> int:
        """Number of responses less number of estimates."""
        return int(self.residuals.size - self.estimates.size)

    @property
    def residual_sum(self) -> float:
        """Sum of squared residuals, in squared units of the response."""
        return float(self.residuals @ self.residuals)

    @property
    def residual_sd(self) -> float:
        """Residual standard deviation; 0 where no degree of freedom is left to know it."""
        if self.degrees_of_freedom == 0:
            return 0.0
        return float(np.sqrt(self.residual_sum / self.degrees_of_freedom))

    @property
    def covariance(self) -> Array:
        """Covariance of the estimates, s²(XᵀX)⁻¹ (GUM H.3, ordinary least squares)."""
        return self.residual_sd**2 * self.inverse_normal


def solve(design: Array, response: Array) -> LeastSquares:
    """Fit ``response`` (n) = ``design`` (n, p) · estimates (p), least squares.

    Raises PoorFitError when the columns of the design cannot be told apart or
    outnumber the responses; CalibrationError when a number is not finite.
    """
    if not (np.isfinite(design).all() and np.isfinite(response).all()):
        raise CalibrationError(
            "A value in the fit is not a finite number.", "Look for empty or damaged readings."
        )
    rows, columns = design.shape
    lengths = np.sqrt(np.sum(design * design, axis=0))
    if rows < columns or bool(np.any(lengths == 0.0)):
        raise _too_few(rows, columns)
    q, r = np.linalg.qr(design / lengths)
    if float(np.min(np.abs(np.diag(r)))) < _DEPENDENT:
        raise _too_few(rows, columns)
    inverse_r = np.linalg.inv(r)
    projector = (inverse_r @ q.T) / lengths[:, None]
    scaled = inverse_r / lengths[:, None]
    estimates, residuals = _refined(design, response, projector)
    return LeastSquares(estimates, scaled @ scaled.T, projector, residuals)


def _refined(design: Array, response: Array, projector: Array) -> tuple[Array, Array]:
    """Estimates with one step of refinement: buys back the digits QR rounds away."""
    estimates = projector @ response
    estimates = estimates + projector @ (response - design @ estimates)
    return estimates, response - design @ estimates


def _too_few(rows: int, columns: int) -> PoorFitError:
    return PoorFitError(
        f"{rows} readings cannot determine {columns} unknowns.",
        "Add loads of different mass, or choose a lower degree.",
    )
