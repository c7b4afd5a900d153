"""Smooth set operations on implicit solids.

A solid is a field: negative inside, positive outside, about as steep as a distance near zero.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def smooth_max(first: Array, second: Array, radius_mm: float) -> Array:
    """Intersect two solids and round the edge where they meet.

    >>> float(smooth_max(np.array(0.0), np.array(0.0), 2.0))
    0.5
    >>> float(smooth_max(np.array(5.0), np.array(0.0), 2.0))
    5.0
    """
    bridge = np.maximum(radius_mm - np.abs(first - second), 0.0)
    joined: Array = np.maximum(first, second) + bridge * bridge / (4.0 * radius_mm)
    return joined


def smooth_min(first: Array, second: Array, radius_mm: float) -> Array:
    """Join two solids and fill the groove where they meet.

    >>> float(smooth_min(np.array(0.0), np.array(0.0), 2.0))
    -0.5
    """
    return -smooth_max(-first, -second, radius_mm)


def round_max(first: Array, second: Array, radius_mm: float) -> Array:
    """Intersect two solids and round their edge with a quarter circle.

    A corner with its edge at the origin; the circle's nearest point lies on the diagonal.

    >>> inward = -1.0 + np.sqrt(0.5)
    >>> bool(np.isclose(round_max(np.array(inward), np.array(inward), 1.0), 0.0))
    True
    """
    outer = np.hypot(np.maximum(first + radius_mm, 0.0), np.maximum(second + radius_mm, 0.0))
    rounded: Array = np.minimum(np.maximum(first, second), -radius_mm) + outer
    return rounded


def step(low: float, high: float, value: Array) -> Array:
    """Rise smoothly from 0 to 1 while the value goes from low to high.

    >>> float(step(0.0, 2.0, np.array(1.0)))
    0.5
    """
    share = np.clip((value - low) / (high - low), 0.0, 1.0)
    risen: Array = share * share * (3.0 - 2.0 * share)
    return risen


def soft_abs(value: Array, radius: float) -> Array:
    """Take the absolute value with a rounded tip.

    >>> float(soft_abs(np.array(3.0), 4.0))
    1.0
    """
    rounded: Array = np.sqrt(value * value + radius * radius) - radius
    return rounded


class Relief:
    """A gentle unevenness of space: a sum of plane waves of random direction.

    Parameters
    ----------
    rng : numpy.random.Generator
        Where directions, lengths and phases come from.
    amplitude_mm : float
        The largest value that the sum can take.
    wavelengths_mm : tuple of float
        Shortest and longest wave.
    count : int
        How many waves.

    Examples
    --------
    >>> relief = Relief(np.random.default_rng(1), 0.1, (3.0, 9.0), 8)
    >>> bool(np.abs(relief(np.arange(50.0), np.arange(50.0), np.arange(50.0))).max() <= 0.1)
    True
    """

    def __init__(
        self,
        rng: np.random.Generator,
        amplitude_mm: float,
        wavelengths_mm: tuple[float, float],
        count: int = 7,
    ) -> None:
        direction = rng.normal(size=(count, 3))  # (count, 3)
        direction /= np.linalg.norm(direction, axis=1, keepdims=True)
        self.waves = direction * (2.0 * np.pi / rng.uniform(*wavelengths_mm, size=(count, 1)))
        self.phases = rng.uniform(0.0, 2.0 * np.pi, size=count)
        self.amplitude_mm = amplitude_mm / count

    def __call__(self, x: Array, y: Array, z: Array) -> Array:
        """Give the unevenness at points; the three shapes broadcast."""
        total: Array = np.zeros(np.broadcast_shapes(x.shape, y.shape, z.shape))
        for (kx, ky, kz), phase in zip(self.waves, self.phases, strict=True):
            total += np.sin(kx * x + ky * y + kz * z + phase)
        return self.amplitude_mm * total
