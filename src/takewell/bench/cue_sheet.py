"""What does the person do, step by step: which cable, which pad, which terminator, what to note down?

Plain text, made from the programme itself, so that it cannot tell of another one.
"""

from takewell.bench.programme import Part, PartName, ProgrammeSettings

WIDTH = 100

CAUTIONS = (
    "Nobody wears headphones on the recorder or the player while the programme runs, and no loudspeaker is connected: the "
    "tones go past full scale and start without warning. Turn monitors off, not down.",
    "Switch phantom power off before the player is plugged in: 48 V on an output can destroy it. Leave it off for everything "
    "here but the terminated noise, and there only if the data sheet's noise is wanted with it on.",
    "Nothing here needs the mains opened. Run the player from its battery where it has one; measuring on mains wiring is for "
    "licensed people with instruments made for it.",
    "Know the input's highest level (its data sheet) before a line output goes into it; begin with the pad in.",
)

_ABOUT: dict[PartName, tuple[str, tuple[str, ...]]] = {
    "levels": (
        "Levels, distortion, response, handover, limiter",
        (
            "Player output to every input by a balanced cable; a pad (20 dB, say) where the recorder takes less than the player gives.",
            "Set the recorder's gain so that the player's full scale lies 3 to 10 dB above the recorder's own (the input is "
            "meant to be overloaded at the end). Limiter as you want it measured; low cut off.",
            "Record the whole file. Do not touch anything until the closing chirps.",
        ),
    ),
    "clock": (
        "Clock",
        (
            "As before. Let recorder and player run for half an hour first. Note the room's temperature.",
            "The number is relative to the player's clock: lock the player to a better reference, or state its error.",
        ),
    ),
    "noise": (
        "Noise with the input terminated",
        (
            "Terminators: a resistor of the source resistance the data sheet names (150 ohms is usual) between pins 2 and 3, "
            "metal film, in a shielded plug. Lay them and the cables away from power supplies.",
        ),
    ),
    "crosstalk": (
        "Crosstalk",
        (
            "Each channel of the player goes to its own input: 1 to 1, 2 to 2. A recorder with more inputs than the player has "
            "outputs is done in groups, the rest terminated.",
        ),
    ),
    "gains": (
        "Gain steps",
        (
            "Player to every input as for the levels; same pad. In each pause, turn the gain as the list says. A recorder without "
            "marks: to its nearest step.",
        ),
    ),
    "start": (
        "Pre-record",
        (
            "Recorder powered, not recording, pre-record on. Start the player; press record on the long high beep.",
            "The result is as sure as your hand: about 0.2 s.",
        ),
    ),
    "cut": (
        "Power cut",
        (
            "Only with a card that holds nothing else, and only if you can spare it: cutting power while writing can damage what is on it.",
            "Record; when the long high beep comes, take the power away (all sources). Power up again, let the recorder repair what it "
            "repairs, copy the file.",
        ),
    ),
}


def cue_sheet(settings: ProgrammeSettings, programme: tuple[Part, ...], names: dict[str, str]) -> str:
    """Return the cue sheet.

    Parameters
    ----------
    settings : ProgrammeSettings
    programme : tuple of Part
    names : dict
        File name by part name.
    """
    lines = ["TEST PROGRAMME FOR A RECORDER", "", "Before you begin"]
    lines += _bulleted(CAUTIONS)
    lines += ["", "What you need"]
    lines += _bulleted(
        (
            f"A player for float files at {settings.rate / 1000:g} kHz with {settings.channels} channel(s). Turn its digital volume down by "
            f"{settings.top_dbfs:g} dB, so that the levels past full scale come out whole.",
            "Balanced cables, a pad, one terminator for each input, a voltmeter that reads true RMS at 1 kHz.",
            "Paper: note the volts, the pad, the settings.",
        )
    )
    lines += ["", "First, once"]
    lines += _bulleted(
        (
            "Player's volts: play the levels part and measure the RMS volts at the end of the cable, pad included, during the 0 dBFS "
            "tone; give them to `takewell bench measure --volts` (or measure without the pad and give --pad too).",
            "Player's own noise and distortion: record the same files once with the player's output going into the best input at "
            "hand, at the level at which it is cleanest; give that to --loopback. Numbers that the player limited are then marked.",
        )
    )
    for part in programme:
        title, todo = _ABOUT[part.name]
        lines += ["", f"{part.number + 1}. {title}   {names[part.name]}   {_clock(part.length_s)}"]
        lines += _bulleted(todo)
        for section in part.sections:
            if section.todo:
                lines.append(f"     at {_clock(section.start_s):>6}  {section.todo}")
            elif section.name == "crosstalk" and section.frequency_hz == 1000.0:
                lines.append(
                    f"     at {_clock(section.start_s):>6}  Channel {(section.channel or 0) + 1} sounds."
                )
    lines += [
        "", "Then", "  - Copy the recorder's files as they are; names and lengths do not matter, nothing needs trimming.",
        "  - takewell bench measure FILES --programme programme.toml --volts V --name NAME", "",
    ]  # fmt: skip
    return "\n".join(lines)


def _bulleted(sentences: tuple[str, ...]) -> list[str]:
    from textwrap import wrap

    return [
        line
        for sentence in sentences
        for line in wrap(sentence, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    ]


def _clock(seconds: float) -> str:
    return f"{int(seconds) // 60}:{seconds % 60:04.1f}"
