"""How loud is a source where the microphone stands?

Conventions: levels in dB SPL as the microphone hears them from in front. Direct sound falls by 6.02 dB for each doubling of
the distance; reverberant sound is the same everywhere in the room and the microphone hears less of it by its
directivity index. Diffuse field and absorption area A = 0.161 V / T: W. C. Sabine, Collected Papers on Acoustics
(1922); level 10 log10(4 / A) over the sound power: H. Kuttruff, Room Acoustics. A voice radiates twice as much
forwards as all round (common practice, no source).
"""

import math
from dataclasses import dataclass
from itertools import pairwise

from takewell.kit.values import Microphone
from takewell.plan.noise import power_sum_db

SABINE_S_PER_M = 0.161
VOICE_DIRECTIVITY_DB = 3.0

FIRST_ORDER = {
    "omni": 1.0,
    "wide_cardioid": 0.7,
    "cardioid": 0.5,
    "supercardioid": (math.sqrt(3) - 1) / 2,
    "hypercardioid": 0.25,
    "figure_of_eight": 0.0,
    "shotgun": 0.25,
}
"""Share of the pressure part in a first-order pattern; a shotgun without a polar plot counts as a hypercardioid."""

DEEPEST_NULL_DB = -25.0
"""No microphone's null is deeper in a room (common practice, no source)."""


def off_axis_db(microphone: Microphone, angle_deg: float) -> float:
    """Return what a microphone loses of a sound from an angle, in dB (zero or less, as a rule).

    Parameters
    ----------
    angle_deg : float
        0 is in front; the sign does not matter.
    """
    angle = abs((angle_deg + 180) % 360 - 180)
    if microphone.off_axis is not None:
        return _between(microphone.off_axis, angle)
    pressure = FIRST_ORDER[microphone.pattern]
    response = abs(pressure + (1 - pressure) * math.cos(math.radians(angle)))
    return max(DEEPEST_NULL_DB, 20 * math.log10(response)) if response else DEEPEST_NULL_DB


def directivity_index_db(microphone: Microphone) -> float:
    """Return how much less of a diffuse field a microphone hears than an omni, in dB."""
    if microphone.directivity_index_db is not None:
        return microphone.directivity_index_db
    pressure = FIRST_ORDER[microphone.pattern]
    return -10 * math.log10(pressure**2 + (1 - pressure) ** 2 / 3)


@dataclass(frozen=True)
class AtMicrophone:
    """A source where the microphone stands, in dB SPL as heard from in front."""

    direct_db_spl: float
    reverberant_db_spl: float

    @property
    def level_db_spl(self) -> float:
        """Both together."""
        return power_sum_db([self.direct_db_spl, self.reverberant_db_spl])

    @property
    def direct_to_reverberant_db(self) -> float:
        """How far the direct sound lies above the room's answer; infinite in the open."""
        return self.direct_db_spl - self.reverberant_db_spl


def at_microphone(
    level_db_spl: float,
    at_m: float,
    microphone: Microphone,
    *,
    distance_m: float,
    off_axis_deg: float = 0.0,
    room_volume_m3: float | None = None,
    reverberation_s: float | None = None,
    source_directivity_db: float = 0.0,
) -> AtMicrophone:
    """Return a source's level at a microphone.

    Parameters
    ----------
    level_db_spl, at_m : float
        Its level in front of it in the open, and at which distance that is stated.
    distance_m, off_axis_deg : float
        Where it is, seen from the microphone.
    room_volume_m3, reverberation_s : float, optional
        The room; the open air where one is missing.
    source_directivity_db : float
        How much louder the source is in front than all round.
    """
    direct = level_db_spl - 20 * math.log10(distance_m / at_m) + off_axis_db(microphone, off_axis_deg)
    if not room_volume_m3 or not reverberation_s:
        return AtMicrophone(direct, -math.inf)
    absorption_m2 = SABINE_S_PER_M * room_volume_m3 / reverberation_s
    power_db = level_db_spl + 20 * math.log10(at_m) + 10 * math.log10(4 * math.pi) - source_directivity_db
    reverberant = power_db + 10 * math.log10(4 / absorption_m2) - directivity_index_db(microphone)
    return AtMicrophone(direct, reverberant)


def _between(points: tuple[tuple[float, float], ...], angle: float) -> float:
    if angle <= points[0][0]:
        return points[0][1]
    for (low, at_low), (high, at_high) in pairwise(points):
        if angle <= high:
            return at_low + (at_high - at_low) * (angle - low) / (high - low)
    return points[-1][1]
