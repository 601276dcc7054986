"""What does a person know about the day that the sound cannot tell?"""

from collections.abc import Callable
from dataclasses import dataclass

from takewell.errors import SettingError
from takewell.sync.clock_line import SPEED_OF_SOUND_M_S

Progress = Callable[[str, int, int], None]
"""Called with what is at hand, how much is done, and how much there is to do."""


@dataclass(frozen=True)
class SyncSettings:
    """What is known beforehand; everything may be left out.

    Raises
    ------
    SettingError
        If a number cannot be.
    """

    distance_m: float | None = None
    """From the sound to the camera's microphone, less that to the recorder's."""
    camera_link_ms: float = 0.0
    """Fixed delay of a radio link or desk that feeds the camera."""
    recorder_link_ms: float = 0.0
    """Fixed delay of the radio links into the recorder; counts where timecode alone places a recording."""
    exact_timecode: bool = False
    """Whether both devices keep timecode to well below a frame, so that sound against timecode tells the distance."""
    walked_m: float = 1.0
    """How far people may have come nearer to a microphone over a take, unnoticed."""
    clock_ppm: float | None = None
    """The most that the two clocks may run apart, by their profiles."""

    def __post_init__(self) -> None:
        for name, least, most, unit in (
            ("distance_m", 0.0, 300.0, "m"),
            ("camera_link_ms", 0.0, 500.0, "ms"),
            ("recorder_link_ms", 0.0, 500.0, "ms"),
            ("walked_m", 0.0, 100.0, "m"),
        ):
            value = getattr(self, name)
            if value is not None and not least <= value <= most:
                raise SettingError(f"{name} is {value:g}; {least:g} to {most:g} {unit} are accepted.")

    @property
    def known_delay_s(self) -> float | None:
        """What sound takes to reach the camera, None where nothing is known of it."""
        if self.distance_m is None and not self.camera_link_ms:
            return None
        return (self.distance_m or 0.0) / SPEED_OF_SOUND_M_S + self.camera_link_ms / 1000
