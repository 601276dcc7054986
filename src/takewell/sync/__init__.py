"""In line with picture: which recording belongs to which clip, where it lies, and how the clocks drift."""

from takewell.sync.values import Clap, Clip, Jump, Method, Pairing, Recording, Speed, SyncReport

__all__ = ["Clap", "Clip", "Jump", "Method", "Pairing", "Recording", "Speed", "SyncReport"]
