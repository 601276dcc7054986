"""Sound files: reading, recovering, writing; and the sound and timecode of camera files."""

from takewell.wave.audio_file import AudioFile, open_audio, read_info
from takewell.wave.bext import append_history, history_row
from takewell.wave.delivered_copy import copy_with_metadata
from takewell.wave.picture import PictureInfo, PictureStream, is_picture_file, picture_info
from takewell.wave.quantise import Quantiser
from takewell.wave.stream import StreamDecoder
from takewell.wave.values import AudioInfo, Bext, Chunk, Encoding, Ixml, IxmlTrack
from takewell.wave.writer import BroadcastWriter

__all__ = [
    "AudioFile",
    "AudioInfo",
    "Bext",
    "BroadcastWriter",
    "Chunk",
    "Encoding",
    "Ixml",
    "IxmlTrack",
    "PictureInfo",
    "PictureStream",
    "Quantiser",
    "StreamDecoder",
    "append_history",
    "copy_with_metadata",
    "history_row",
    "is_picture_file",
    "open_audio",
    "picture_info",
    "read_info",
]
