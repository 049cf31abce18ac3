"""Normal quantiles of the scaled residuals of a fit, with the band in which they all lie if the model holds."""

import numpy as np
import pandas as pd
from scipy.special import ndtri

from stats.errors import FitError
from stats.estimates import check_level
from stats.mixed.inference.blocks import blocks, rows_of
from stats.mixed.inference.fitted import Fitted

PURPOSE = "a quantile plot"
FEWEST = 8  # residuals


def quantile_envelope(fit: Fitted, rng: np.random.Generator, *, level: float = 0.95, draws: int = 1999) -> pd.DataFrame:
    """One row per scaled residual, the smallest first: participant, visit, fitted, scaled, normal_quantile, low, high.

    fit: made from rows. rng: of the draws, whose number is `draws`.
    Scaled residuals are the marginal ones times the inverted Cholesky root of their covariance: of unit variance and
    uncorrelated, so that those of all visits and people are pooled in one plot. low, high: a simultaneous envelope of
    the ordered residuals at `level`, simulated from the fitted model: normal errors, the coefficients estimated anew in
    each draw, the covariance held at its estimate (with few people the true envelope is a little wider). A rank
    envelope: the band between the k-th smallest and k-th largest draw at each place, k the largest for which the
    share `level` of the draws lies inside everywhere.
    Raises FitError with fewer than 8 residuals, or after `fit_moments`.
    Source: Santos Nobre & Singer (2007) Biom J 49:863-875 for the residuals; Myllymaki et al. (2017) J R Stat Soc B
    79:381-404 for the envelope (both from memory).
    """
    level = check_level(level)
    layout = rows_of(fit, PURPOSE)
    if layout.n_rows < FEWEST:
        raise FitError(f"{layout.n_rows} residuals: too few for {PURPOSE} (at least {FEWEST}).")
    scaled, X = np.empty(layout.n_rows), np.empty(layout.X.shape)
    fitted = np.empty(layout.n_rows)
    for block in blocks(fit, PURPOSE):
        root = np.linalg.cholesky(block.V)
        scaled[block.rows] = np.linalg.solve(root, block.residual)
        X[block.rows] = np.linalg.solve(root, block.X)
        fitted[block.rows] = layout.y[block.rows] - block.residual
    basis = np.linalg.qr(X)[0]
    errors = rng.standard_normal((draws, layout.n_rows))
    drawn = np.sort(errors - errors @ basis @ basis.T, axis=1)
    low, high = _rank_envelope(drawn, level)
    order = np.argsort(scaled, kind="stable")
    places = (np.arange(1, layout.n_rows + 1) - 0.375) / (layout.n_rows + 0.25)
    table = pd.DataFrame(
        {
            "participant": np.array(layout.persons, dtype=object)[layout.person],
            "visit": np.array(layout.slots, dtype=object)[layout.slot],
            "fitted": fitted,
            "scaled": scaled,
        }
    )
    return table.iloc[order].assign(normal_quantile=ndtri(places), low=low, high=high).reset_index(drop=True)


def _rank_envelope(drawn: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Ends at each place of a band that holds the share `level` of the draws (rows) at all places at once."""
    draws = len(drawn)
    ranks = np.argsort(np.argsort(drawn, axis=0), axis=0) + 1
    extreme = np.minimum(ranks, draws + 1 - ranks).min(axis=1)  # 1 for a draw that is the outermost somewhere
    k = max(1, int(np.quantile(extreme, 1 - level, method="lower")))
    ordered = np.sort(drawn, axis=0)
    return ordered[k - 1], ordered[draws - k]
