"""Which detectors are there, and on which roles does each make sense?

This is the one list: a detector is a function in a file of its own and a line here.
"""

from collections.abc import Callable
from dataclasses import dataclass

from takewell.examine.clipped import find_clipped
from takewell.examine.dc_offset import find_dc_offset
from takewell.examine.dead_track import find_dead_tracks
from takewell.examine.digital_silence import find_digital_silence
from takewell.examine.dropout import find_dropouts
from takewell.examine.evidence import TakeEvidence, TrackEvidence
from takewell.examine.file_state import find_file_states
from takewell.examine.floor_off_plan import find_floor_off_plan
from takewell.examine.hum import find_hum
from takewell.examine.limited import find_limited
from takewell.examine.mix_content import find_mix_content
from takewell.examine.noise_burst import find_noise_bursts
from takewell.examine.noisy import find_noisy
from takewell.examine.nonfinite import find_nonfinite
from takewell.examine.over_full_scale import find_over_full_scale
from takewell.examine.plosive import find_plosives
from takewell.examine.recorded_level import find_recorded_level
from takewell.examine.reverberant import find_reverberant
from takewell.examine.rf_burst import find_rf_burst
from takewell.examine.rumble import find_rumble
from takewell.examine.slips import find_slips
from takewell.examine.soft_saturation import find_soft_saturation
from takewell.examine.thump import find_thumps
from takewell.examine.time_order import find_time_order
from takewell.examine.whine import find_whine
from takewell.examine.wind import find_wind
from takewell.roll.values import Finding, Role

SPEECH: frozenset[Role] = frozenset({"iso", "safety", "mix", "camera"})
"""Roles that carry sound for people."""

SOUND: frozenset[Role] = SPEECH | {"tone"}
"""Those and line-up tone, which may be clipped or torn but has no speech level."""

ANY: frozenset[Role] = SOUND | {"timecode"}


@dataclass(frozen=True)
class TrackDetector:
    """A detector that judges one track, and the roles it is run on."""

    find: Callable[[TrackEvidence], list[Finding]]
    roles: frozenset[Role]


TRACK_DETECTORS = (
    TrackDetector(find_clipped, SOUND),
    TrackDetector(find_over_full_scale, SOUND),
    TrackDetector(find_limited, SPEECH),
    TrackDetector(find_soft_saturation, SPEECH),
    TrackDetector(find_nonfinite, ANY),
    TrackDetector(find_digital_silence, ANY),
    TrackDetector(find_dropouts, SOUND),
    TrackDetector(find_slips, SOUND),
    TrackDetector(find_noise_bursts, SPEECH),
    TrackDetector(find_dc_offset, SOUND),
    TrackDetector(find_hum, SPEECH),
    TrackDetector(find_whine, SPEECH),
    TrackDetector(find_rf_burst, SPEECH),
    TrackDetector(find_noisy, SPEECH),
    TrackDetector(find_rumble, SPEECH),
    TrackDetector(find_wind, SPEECH),
    TrackDetector(find_thumps, SPEECH),
    TrackDetector(find_plosives, SPEECH),
    TrackDetector(find_reverberant, frozenset({"iso", "camera"})),
    TrackDetector(find_recorded_level, SPEECH),
    TrackDetector(find_floor_off_plan, frozenset({"iso"})),
)

TAKE_DETECTORS: tuple[Callable[[TakeEvidence], list[Finding]], ...] = (
    find_dead_tracks,
    find_file_states,
    find_time_order,
    find_mix_content,
)
