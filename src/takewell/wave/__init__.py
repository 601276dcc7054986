"""Sound files: reading, recovering, writing."""

from takewell.wave.audio_file import AudioFile, open_audio, read_info
from takewell.wave.values import AudioInfo, Bext, Chunk, Encoding, Ixml, IxmlTrack

__all__ = [
    "AudioFile",
    "AudioInfo",
    "Bext",
    "Chunk",
    "Encoding",
    "Ixml",
    "IxmlTrack",
    "open_audio",
    "read_info",
]
