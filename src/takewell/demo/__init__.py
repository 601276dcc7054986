"""An invented shoot day, computed: a card with known damage, and realistic labelled sound for tests."""

from takewell.demo.card import write_day
from takewell.demo.comparison import Comparison, compare
from takewell.demo.dialogue import Utterance, dialogue
from takewell.demo.labelled import Labelled, labelled_speech
from takewell.demo.noise import CONVERTER_NOISE_DBFS, low_cut, room_noise_filter, white
from takewell.demo.room import Microphone, Room, response
from takewell.demo.sound_field import SetUp, SoundField
from takewell.demo.speech import CLIP_LEVEL_DBFS, Clip, voices
from takewell.demo.truth import Planted, Truth, TruthFile, TruthLine, TruthTake, TruthTrack

__all__ = [
    "CLIP_LEVEL_DBFS",
    "CONVERTER_NOISE_DBFS",
    "Clip",
    "Comparison",
    "Labelled",
    "Microphone",
    "Planted",
    "Room",
    "SetUp",
    "SoundField",
    "Truth",
    "TruthFile",
    "TruthLine",
    "TruthTake",
    "TruthTrack",
    "Utterance",
    "compare",
    "dialogue",
    "labelled_speech",
    "low_cut",
    "response",
    "room_noise_filter",
    "voices",
    "white",
    "write_day",
]
