"""Equipment profiles: what each microphone, input, battery, card and clock can do, read from TOML."""

from takewell.kit.johnson import johnson_noise_dbu, johnson_noise_v
from takewell.kit.profile import (
    find_profile,
    parse_profile,
    profile_toml,
    read_profile,
    shipped_kit,
    shipped_profiles,
    shipped_text,
    with_measured,
    write_profile,
)
from takewell.kit.values import (
    KINDS,
    Battery,
    Card,
    Clock,
    Load,
    Measurement,
    Microphone,
    Profile,
    Recorder,
    RecorderInput,
    Transmitter,
)

__all__ = [
    "KINDS",
    "Battery",
    "Card",
    "Clock",
    "Load",
    "Measurement",
    "Microphone",
    "Profile",
    "Recorder",
    "RecorderInput",
    "Transmitter",
    "find_profile",
    "johnson_noise_dbu",
    "johnson_noise_v",
    "parse_profile",
    "profile_toml",
    "read_profile",
    "shipped_kit",
    "shipped_profiles",
    "shipped_text",
    "with_measured",
    "write_profile",
]
