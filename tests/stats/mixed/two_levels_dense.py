"""REML and small-sample inference of two-level models by N x N matrices, written out from the textbook formulas.

Knows nothing of pooled sums: the covariance inside participants is spread row by row, sites and therapists are same-or-
not indicators. Harville 1977 (likelihood and informations), Kenward & Roger 1997 and 2009.
"""

import numpy as np
import pandas as pd

from stats.mixed.fit import MixedFit
from stats.mixed.inference.blocks import natural_structure
from stats.mixed.model.moments import pattern_of_participants


def same(values: pd.Series) -> np.ndarray:
    """1 where two rows share a value (N, N)."""
    codes = pd.factorize(values)[0]
    return (codes[:, None] == codes).astype(float)


class DenseTwoLevels:
    """The likelihood of a fit's rows at any parameters; `sheets` are the N x N matrices of the variances above."""

    def __init__(self, fit: MixedFit, sheets: list[np.ndarray]) -> None:
        self.layout, self.reml, self.sheets = fit.layout, fit.method == "reml", sheets
        self.structure, _ = natural_structure(fit)
        self.pattern = pattern_of_participants(self.layout)[self.layout.person]
        self.within = self.layout.person[:, None] == self.layout.person
        self.K = self.structure.size

    def spread(self, sheets: np.ndarray) -> np.ndarray:
        p = self.pattern if len(sheets) > 1 else np.zeros_like(self.pattern)
        slot = self.layout.slot
        return np.where(self.within, sheets[p[:, None], slot[:, None], slot], 0.0)

    def at(self, theta: np.ndarray) -> None:
        """Everything at theta (K + L,)."""
        X, y = self.layout.X, self.layout.y
        below, above = theta[None, : self.K], theta[self.K :]
        V = self.spread(self.structure.matrix(below)[0])
        V = V + sum(g * sheet for g, sheet in zip(above, self.sheets, strict=True))
        self.first = [self.spread(sheet) for sheet in self.structure.first(below)[0]] + self.sheets
        second = self.structure.second(below)
        self.second = None if second is None else [[self.spread(s) for s in row] for row in second[0]]
        W = np.linalg.inv(V)
        self.phi = np.linalg.inv(X.T @ W @ X)
        self.beta = self.phi @ X.T @ W @ y
        P = W - W @ X @ self.phi @ X.T @ W
        R = P if self.reml else W
        self.loglik = -0.5 * (np.linalg.slogdet(V)[1] + y @ P @ y + len(y) * np.log(2 * np.pi))
        if self.reml:
            self.loglik -= 0.5 * (np.linalg.slogdet(X.T @ W @ X)[1] - X.shape[1] * np.log(2 * np.pi))
        Py, n = P @ y, len(self.first)
        RV = [R @ V_k for V_k in self.first]
        self.score = np.array([-0.5 * (np.trace(RV[k]) - Py @ self.first[k] @ Py) for k in range(n)])
        self.expected = np.array([[0.5 * (RV[k] * RV[m].T).sum() for m in range(n)] for k in range(n)])
        quadratic = np.array([[Py @ self.first[k] @ P @ self.first[m] @ Py for m in range(n)] for k in range(n)])
        self.observed = quadratic - self.expected
        for k in range(self.K if self.second is not None else 0):
            for m in range(self.K):
                self.observed[k, m] += 0.5 * (np.trace(R @ self.second[k][m]) - Py @ self.second[k][m] @ Py)
        WX = W @ X
        self.P = [-WX.T @ V_k @ WX for V_k in self.first]
        self.Q = [[WX.T @ A @ W @ B @ WX for B in self.first] for A in self.first]
        self.W, self.projection = W, P

    def polish(self, theta: np.ndarray) -> np.ndarray:
        """A few Newton steps from theta."""
        for _ in range(4):
            self.at(theta)
            theta = theta + np.linalg.solve(self.observed, self.score)
        self.at(theta)
        return theta

    def adjusted(self, information: np.ndarray, *, unbiased: bool = False) -> np.ndarray:
        """Kenward-Roger's covariance of the coefficients; `unbiased`: the form of 2009."""
        w, n, X = np.linalg.inv(information), len(self.first), self.layout.X
        inner = sum(w[k, m] * (self.Q[k][m] - self.P[k] @ self.phi @ self.P[m]) for k in range(n) for m in range(n))
        bias = np.zeros(n)
        if self.second is not None:
            bend = sum(w[k, m] * self.second[k][m] for k in range(self.K) for m in range(self.K))
            inner = inner - 0.25 * X.T @ self.W @ bend @ self.W @ X
            P = self.projection
            bias = -0.25 * w @ np.array([np.trace(P @ V_k @ P @ bend) for V_k in self.first])
        made = self.phi + 2 * self.phi @ inner @ self.phi
        if unbiased:
            made = made + self.phi @ sum(b * P for b, P in zip(bias, self.P, strict=True)) @ self.phi
        return made

    def df(self, L: np.ndarray, information: np.ndarray) -> np.ndarray:
        """2 (l'Phi l)^2 / g'W g of each row of L."""
        w = np.linalg.inv(information)
        out = []
        for row in L:
            half = self.phi @ row
            g = np.array([half @ P @ half for P in self.P])
            out.append(2 * (row @ half) ** 2 / (g @ w @ g))
        return np.array(out)

    def joint(self, L: np.ndarray, information: np.ndarray) -> tuple[float, float]:
        """Kenward & Roger's scaled F and denominator df (1997, section 3)."""
        w, size, n = np.linalg.inv(information), len(L), len(self.first)
        theta = L.T @ np.linalg.solve(L @ self.phi @ L.T, L)
        M = [theta @ self.phi @ P @ self.phi for P in self.P]
        A1 = sum(w[k, m] * np.trace(M[k]) * np.trace(M[m]) for k in range(n) for m in range(n))
        A2 = sum(w[k, m] * np.trace(M[k] @ M[m]) for k in range(n) for m in range(n))
        B = (A1 + 6 * A2) / (2 * size)
        g = ((size + 1) * A1 - (size + 4) * A2) / ((size + 2) * A2)
        bottom = 3 * size + 2 * (1 - g)
        c1, c2, c3 = g / bottom, (size - g) / bottom, (size + 2 - g) / bottom
        E = 1 / (1 - A2 / size)
        V = 2 / size * (1 + c1 * B) / ((1 - c2 * B) ** 2 * (1 - c3 * B))
        rho = V / (2 * E**2)
        m = 4 + (size + 2) / (size * rho - 1)
        Lb = L @ self.beta
        wald = Lb @ np.linalg.solve(L @ self.adjusted(information) @ L.T, Lb)
        return m / (E * (m - 2)) * wald / size, m
