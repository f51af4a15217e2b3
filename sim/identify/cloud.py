"""A cloud of candidates, drawn narrower and narrower: from what each leaves over to numbers with covariance.

The numbers are regressed on what each candidate leaves over, its own draw of the sensor's noise
added: read at "nothing left over" this is the estimate, and the regression's
prediction covariance holds noise, roughness and ignorance together (regression
adjustment: M. Beaumont, W. Zhang, D. Balding, Genetics 162 (2002) 2025-2035). The
cloud is drawn anew from the result, a little wider, and its shape divided out again
(G. Papamakarios, I. Murray, "Fast epsilon-free inference", 2016, sec. 2), until it
is small enough for straight lines.
"""

from collections.abc import Callable

import numpy as np

from sim.identify.problem import Problem

ROUNDS = ((5.0, 12.0, 168), (4.0, 12.0, 168), (3.0, 12.0, 168), (2.0, 12.0, 216), (2.0, 24.0, 240),
          (2.0, 36.0, 240))  # fmt: skip
"""How firmly the plant is held to the log in each round (Hz): firmly first, while candidates are far
off; how much of the log is looked at (s); how many candidates are drawn."""
SCORES = 40
"""Principal components of what is left over that the numbers are regressed on."""
WIDER, LEAST = 1.5, 0.02
"""A new cloud's deviation over that of the last result, and its least, in deviations of the prior."""
FURTHEST = 3.5
"""No number is taken further off than so many deviations of the prior."""

Listener = Callable[[int, int, float], None]


def narrowed(problem: Problem, listener: Listener | None) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of a problem's numbers, cloud after cloud."""
    count = len(problem.axes)
    rng = np.random.default_rng(1)
    mean, covariance = np.zeros(count), np.eye(count)
    for number, (hertz, seconds, cloud) in enumerate(ROUNDS):
        if number:
            covariance = WIDER**2 * covariance + LEAST**2 * np.eye(count)
        root = np.linalg.cholesky(covariance)
        u = rng.normal(0.0, 1.0, (cloud, count))
        points = np.clip(mean + u @ root.T, -FURTHEST, FURTHEST)
        left = problem.left(points, hertz, problem.pieces(seconds))
        left += problem.noise(rng, left.shape)
        mean, covariance = without_cloud(*regress_cloud(u, left), mean, root)
        mean = np.clip(mean, -FURTHEST, FURTHEST)
        if listener is not None:
            listener(number + 1, len(ROUNDS), float(np.sqrt(np.mean(left**2))))
    return mean, covariance


def regress_cloud(u: np.ndarray, left: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of ``u`` where nothing is left over.

    u: the cloud, standard normal, shape (n, axes); left: what each leaves over, shape (n, rows).
    """
    middle = left.mean(axis=0)
    scores, size, basis = np.linalg.svd(left - middle, full_matrices=False)
    kept = min(SCORES, len(u) // 3, int((size > 1e-9 * size[0]).sum()))
    regressor = np.column_stack([np.ones(len(u)), scores[:, :kept] * np.sqrt(len(u))])
    at = np.concatenate([[1.0], -(basis[:kept] @ middle) / size[:kept] * np.sqrt(len(u))])
    solved, *_ = np.linalg.lstsq(regressor, u, rcond=None)
    rest = u - regressor @ solved
    scatter = rest.T @ rest / (len(u) - kept - 1)
    leverage = float(at @ np.linalg.solve(regressor.T @ regressor, at))
    return at @ solved, scatter * (1.0 + leverage)


def without_cloud(
    u_mean: np.ndarray, u_covariance: np.ndarray, middle: np.ndarray, root: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Take out the cloud's own shape (middle, Cholesky root), put in the prior (standard normal)."""
    values, vectors = np.linalg.eigh(u_covariance)
    told = np.maximum(1.0 / values - 1.0, 0.0)
    pull = np.where(told > 0.0, vectors.T @ u_mean / values, 0.0)
    back = np.linalg.solve(root.T, vectors)
    precision = (back * told) @ back.T
    information = precision @ middle + back @ pull
    covariance = np.linalg.inv(precision + np.eye(len(middle)))
    return covariance @ information, covariance
