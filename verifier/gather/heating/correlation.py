"""Over how many samples a residual remembers: what makes many samples worth fewer."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def memory(residuals: Floats) -> Floats:
    """The integrated autocorrelation time, in samples, along the last axis; at least 1.

    tau = 1 + 2 sum of rho_k, the sum cut off where pairs of neighbouring autocorrelations are no longer positive,
    or begin to grow (Geyer, "Practical Markov chain Monte Carlo", Statistical Science 7 (1992) 473, section 3.3,
    initial monotone sequence estimator). n samples with this memory tell of a mean what n/tau independent ones do.
    For an AR(1) series with coefficient phi it is (1 + phi)/(1 - phi).
    """
    n = residuals.shape[-1]
    size = 1 << (2 * n - 1).bit_length()
    spectrum: NDArray[Any] = np.fft.rfft(residuals, size)
    correlation = np.fft.irfft(spectrum * np.conj(spectrum), size)[..., :n]
    variance = correlation[..., :1]
    correlation = correlation / np.where(variance > 0, variance, 1.0)
    half = n // 2
    pairs = correlation[..., 0 : 2 * half : 2] + correlation[..., 1 : 2 * half : 2]
    positive = np.cumprod(pairs > 0, axis=-1)
    falling = np.minimum.accumulate(pairs, axis=-1)
    return np.asarray(np.maximum(1.0, 2 * np.sum(falling * positive, axis=-1) - 1.0))
