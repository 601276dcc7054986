"""How much later does each microphone hear what one of them hears first, and is it upside down?

One look of a third of a second may catch a vowel in which every delay by a period fits as well, or an echo. So
many looks at the same talker are put together: the cross spectra of each look keep their phases only (PHAT, Knapp and Carter,
IEEE Trans. Acoustics, Speech and Signal Processing 24(4), 1976) and are added up; what is always the same, the way of the direct
sound, grows with the number of looks, and the rest with its root. Whole samples are enough here: at 48 kHz half a sample is
the way of 3.6 mm, less than a head moves.

An arrival is *sure* if the even and the odd looks alone find it too, to `AGREE_S`, and its peak stands `CLEAR` times over the
root mean square of the curve around it.

Conventions: samples (n, microphones), one talker speaking; delays in whole samples, positive: later than the reference.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

F64 = NDArray[np.float64]
C128 = NDArray[np.complex128]

LOOK_S = 0.35
BAND_HZ = (250.0, 7000.0)
"""What of speech reaches every microphone; below it, rooms boom."""

AGREE_S = 1e-4
CLEAR = 6.0
LEAST_LOOKS = 4


@dataclass(frozen=True)
class Arrival:
    """How one microphone hears what a reference hears: later by `delay_samples`; `polarity` +1 or -1."""

    delay_samples: int
    polarity: int
    clearness: float
    """The peak over the root mean square of its surroundings."""
    looks: int
    sure: bool


class Arrivals:
    """Puts looks together in which one microphone, the reference, has its talker.

    Parameters
    ----------
    microphones : int
    reference : int
        Column of the microphone the others are compared with.
    rate : int
    longest_s : float
        No arrival is looked for further away than this, either way.
    """

    def __init__(self, microphones: int, reference: int, rate: int, longest_s: float) -> None:
        self._reference, self._rate = reference, rate
        self._reach = max(int(longest_s * rate), 1)
        self._size = next_fast_len(round(LOOK_S * rate) + self._reach, real=True)
        frequency = np.arange(self._size // 2 + 1) * rate / self._size
        low, high = np.searchsorted(frequency, [BAND_HZ[0], min(BAND_HZ[1], 0.45 * rate)])
        self._band = slice(int(low), int(high))
        self._halves: list[C128] = [np.zeros((int(high - low), microphones), np.complex128) for _ in range(2)]
        self._looks = 0

    def look(self, samples: NDArray[np.floating]) -> None:
        """Take one look, (n, microphones); about `LOOK_S` long, longer ones are cut."""
        count = min(len(samples), round(LOOK_S * self._rate))
        windowed = samples[:count] * np.hanning(count)[:, None]
        spectra = rfft(windowed, self._size, axis=0)[self._band]
        cross = spectra * np.conj(spectra[:, self._reference])[:, None]
        power = np.abs(cross)
        phases = np.divide(cross, power, out=np.zeros_like(cross), where=power > 0)
        self._halves[self._looks % 2] += phases
        self._looks += 1

    def result(self) -> tuple[Arrival | None, ...]:
        """Return each microphone's arrival; None for the reference itself, and where it is silent or there are too few looks."""
        microphones = self._halves[0].shape[1]
        if self._looks < LEAST_LOOKS:
            return tuple(None for _ in range(microphones))
        return tuple(None if k == self._reference else self._arrival(k) for k in range(microphones))

    def _arrival(self, microphone: int) -> Arrival | None:
        even, odd = (half[:, microphone] for half in self._halves)
        whole = even + odd
        if not np.abs(whole).max() > 0:
            return None
        at, value, clearness = self._peak(whole)
        halves = [self._peak(half)[0] for half in (even, odd)]
        agrees = all(abs(half - at) <= max(AGREE_S * self._rate, 1.0) for half in halves)
        return Arrival(at, 1 if value > 0 else -1, clearness, self._looks, agrees and clearness >= CLEAR)

    def _peak(self, phases: C128) -> tuple[int, float, float]:
        """Return where the curve is furthest from zero, its value there, and that over the rest's root mean square."""
        full = np.zeros(self._size // 2 + 1, np.complex128)
        full[self._band] = phases
        curve: F64 = irfft(full, self._size)
        near = np.concatenate([curve[-self._reach :], curve[: self._reach + 1]])
        top = int(np.argmax(np.abs(near)))
        apart = np.abs(np.arange(len(near)) - top) > self._rate / 2000
        around = float(np.sqrt(np.mean(near[apart] ** 2))) if apart.any() else 0.0
        return top - self._reach, float(near[top]), abs(float(near[top])) / around if around > 0 else np.inf
