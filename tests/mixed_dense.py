"""Mixed models the plain way, with n x n matrices: what the engine must reproduce."""

from __future__ import annotations

import numpy as np


def covariance(levels, covariances, error_variance):
    """Return V = sum of Z Psi Z' within groups plus the error variances."""
    out = np.diag(error_variance)
    for (codes, z, *_), psi in zip(levels, covariances, strict=True):
        codes, z = np.asarray(codes), np.asarray(z, float).reshape(len(codes), -1)
        out += (codes[:, None] == codes[None]) * (z @ psi @ z.T)
    return out


def loglik(y, x, v, *, reml):
    """Return the log-likelihood, ML or REML (Laird & Ware 1982; Harville 1977)."""
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    beta = np.linalg.solve(information, x.T @ inverse @ y)
    residual = y - x @ beta
    n = len(y) - (x.shape[1] if reml else 0)
    deviance = np.linalg.slogdet(v)[1] + residual @ inverse @ residual + n * np.log(2 * np.pi)
    return -(deviance + (np.linalg.slogdet(information)[1] if reml else 0.0)) / 2


def kenward_roger(x, v, derivatives, rows, effect):
    """Return adjusted covariance, F and denominator df (Kenward & Roger 1997, sec. 2 to 4), V linear."""
    inverse = np.linalg.inv(v)
    phi = np.linalg.inv(x.T @ inverse @ x)
    p = [-x.T @ inverse @ d @ inverse @ x for d in derivatives]
    q = [[x.T @ inverse @ a @ inverse @ b @ inverse @ x for b in derivatives] for a in derivatives]
    k = len(derivatives)
    information = np.array(
        [
            [
                np.trace(inverse @ derivatives[i] @ inverse @ derivatives[j])
                - 2 * np.trace(phi @ q[i][j])
                + np.trace(phi @ p[i] @ phi @ p[j])
                for j in range(k)
            ]
            for i in range(k)
        ]
    )
    w = 2 * np.linalg.inv(information)
    inner = sum(w[i, j] * (q[i][j] - p[i] @ phi @ p[j]) for i in range(k) for j in range(k))
    adjusted = phi + 2 * phi @ inner @ phi
    r = len(rows)
    theta = rows.T @ np.linalg.inv(rows @ phi @ rows.T) @ rows
    a = [theta @ phi @ p[i] @ phi for i in range(k)]
    a1 = sum(w[i, j] * np.trace(a[i]) * np.trace(a[j]) for i in range(k) for j in range(k))
    a2 = sum(w[i, j] * np.trace(a[i] @ a[j]) for i in range(k) for j in range(k))
    b = (a1 + 6 * a2) / (2 * r)
    g = ((r + 1) * a1 - (r + 4) * a2) / ((r + 2) * a2)
    base = 3 * r + 2 * (1 - g)
    e = 1 / (1 - a2 / r)
    spread = 2 / r * (1 + g / base * b) / ((1 - (r - g) / base * b) ** 2 * (1 - (r + 2 - g) / base * b))
    rho = spread / (2 * e**2)
    df = 4 + (r + 2) / (r * rho - 1)
    scale = df / (e * (df - 2))
    return adjusted, scale / r * effect @ np.linalg.inv(rows @ adjusted @ rows.T) @ effect, df


def differences(function, at, step=1e-4):
    """Return the Hessian of a function of few variables by central differences of fourth order."""
    at = np.asarray(at, float)
    eye = np.eye(len(at)) * step

    def slope(point, i):
        f = [function(point + m * eye[i]) for m in (-2, -1, 1, 2)]
        return (f[0] - 8 * f[1] + 8 * f[2] - f[3]) / (12 * step)

    rows = []
    for j in range(len(at)):
        g = [np.array([slope(at + m * eye[j], i) for i in range(len(at))]) for m in (-2, -1, 1, 2)]
        rows.append((g[0] - 8 * g[1] + 8 * g[2] - g[3]) / (12 * step))
    return (np.array(rows) + np.array(rows).T) / 2
