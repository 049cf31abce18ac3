"""Weights between visits applied to the sums of sites: U'Omega F and U'Omega U of every block, and their adjoints.

`lift` and `spread` turn small matrices per block back into second moments per pattern, so that nothing the likelihood
needs of a pair of parameters is ever formed block by block: with T = G U'V^-1 F the moments of F - U T are those of F
plus a lift, and log|V| feels a covariance through a spread.
"""

from typing import Protocol

import numpy as np

from stats.mixed.model.site_sums import CrossSums, FirstSums, SiteSums


class SiteForms(Protocol):
    """Forms of the sums of R replicates, S blocks, r columns, c = q + 1 columns of F."""

    def of(self, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """U'Omega F (R, M, S, r, c) and U'Omega U (R, M, S, r, r) for weights (R, M, P, T, T)."""

    def lift(self, T: np.ndarray, product: np.ndarray) -> np.ndarray:
        """Moments (F - UT) Pi (F - UT)' less those of F Pi F', per pattern (R, P, T, T); T (R, S, r, c)."""

    def spread(self, M: np.ndarray) -> np.ndarray:
        """sum of U M_s U' over participants, per pattern (R, P, T, T); M (R, S, r, r)."""

    def subset(self, keep: np.ndarray) -> "SiteForms":
        """The same for some replicates."""


class FixedForms:
    """Columns fixed by the pattern."""

    def __init__(self, sums: FirstSums) -> None:
        S, P, T, q = sums.x.shape
        self.Z, self.n, self.y = sums.Z, sums.n, sums.y
        self.x = sums.x
        self.S, self.P, self.T, self.q, self.r = S, P, T, q, sums.Z.shape[2]

    def subset(self, keep: np.ndarray) -> "FixedForms":
        part = object.__new__(FixedForms)
        part.__dict__.update(self.__dict__)
        part.y = self.y[keep]
        return part

    def of(self, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        R, M = weights.shape[:2]
        S, P, T, q, r = self.S, self.P, self.T, self.q, self.r
        w = np.swapaxes(self.Z, 1, 2) @ weights  # Z'Omega (R, M, P, r, T)
        flat = np.moveaxis(w, 3, 2).reshape(R, M * r, P * T)
        over_x = flat @ self.x.reshape(S, P * T, q).transpose(1, 0, 2).reshape(P * T, S * q)
        over_y = flat @ self.y.reshape(R, S, P * T).swapaxes(1, 2)
        F = np.empty((R, M, S, r, q + 1))
        F[..., :q] = over_x.reshape(R, M, r, S, q).swapaxes(2, 3)
        F[..., q] = over_y.reshape(R, M, r, S).swapaxes(2, 3)
        U = self.n @ (w @ self.Z).reshape(R, M, P, r * r)
        return F, U.reshape(R, M, S, r, r)

    def lift(self, T: np.ndarray, product: np.ndarray) -> np.ndarray:
        R, S, r, _ = T.shape
        q, P, t = self.q, self.P, self.T
        TP = T @ product[:, None]  # (R, S, r, c)
        by_x = np.swapaxes(TP[..., :q], 2, 3)  # (R, S, q, r)
        # sum over blocks and columns of S_sp[t] (T Pi)': (R, P t, r)
        x = self.x.transpose(1, 2, 0, 3).reshape(P * t, S * q)
        made = x @ by_x.reshape(R, S * q, r)
        made += self.y.reshape(R, S, P * t).swapaxes(1, 2) @ TP[..., q]
        cross = made.reshape(R, P, t, r) @ np.swapaxes(self.Z, 1, 2)
        return self.spread(TP @ np.swapaxes(T, 2, 3)) - cross - np.swapaxes(cross, 2, 3)

    def spread(self, M: np.ndarray) -> np.ndarray:
        R, S, r, _ = M.shape
        total = (self.n.T @ M.reshape(R, S, r * r)).reshape(R, self.P, r, r)
        return self.Z @ total @ np.swapaxes(self.Z, 1, 2)


class CrossForms:
    """Columns that change between visits."""

    def __init__(self, sums: CrossSums) -> None:
        S, P, T, _, r, q = sums.x.shape
        self.S, self.P, self.T, self.q, self.r = S, P, T, q, r
        self.x = sums.x.transpose(1, 2, 3, 0, 4, 5).reshape(P * T * T, S * r * q)
        self.u = sums.u.transpose(1, 2, 3, 0, 4, 5).reshape(P * T * T, S * r * r)
        self.y = sums.y.transpose(0, 2, 3, 4, 1, 5).reshape(len(sums.y), P * T * T, S * r)

    def subset(self, keep: np.ndarray) -> "CrossForms":
        part = object.__new__(CrossForms)
        part.__dict__.update(self.__dict__)
        part.y = self.y[keep]
        return part

    def of(self, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        R, M = weights.shape[:2]
        flat = weights.reshape(R, M, -1)
        F = np.empty((R, M, self.S, self.r, self.q + 1))
        F[..., : self.q] = (flat @ self.x).reshape(R, M, self.S, self.r, self.q)
        F[..., self.q] = (flat @ self.y).reshape(R, M, self.S, self.r)
        return F, (flat @ self.u).reshape(R, M, self.S, self.r, self.r)

    def lift(self, T: np.ndarray, product: np.ndarray) -> np.ndarray:
        R, shape = len(T), (len(T), self.P, self.T, self.T)
        TP = T @ product[:, None]
        cross = TP[..., : self.q].reshape(R, -1) @ self.x.T
        cross = (cross + (self.y @ TP[..., self.q].reshape(R, -1, 1))[:, :, 0]).reshape(shape)
        return self.spread(TP @ np.swapaxes(T, 2, 3)) - cross - np.swapaxes(cross, 2, 3)

    def spread(self, M: np.ndarray) -> np.ndarray:
        return (M.reshape(len(M), -1) @ self.u.T).reshape(len(M), self.P, self.T, self.T)


def forms_of(sums: SiteSums) -> SiteForms:
    """The forms that go with sums."""
    return FixedForms(sums) if isinstance(sums, FirstSums) else CrossForms(sums)
