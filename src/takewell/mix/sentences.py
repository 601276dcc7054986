"""What did a mix decide, in sentences for a person?

Conventions: times as minutes and seconds of the take.
"""

import math
from collections.abc import Iterator

from takewell.mix.report import Mix

LEAST_HANDICAP_DB = 0.5


def sentences(mix: Mix) -> tuple[str, ...]:
    """Return what was decided for a mix and why, one sentence each."""
    return tuple(_sentences(mix))


def _sentences(mix: Mix) -> Iterator[str]:
    for one in sorted(mix.contributions, key=lambda one: -one.sound):
        yield (
            f"{one.name}: {one.sound:.0%} of the sound, in the lead for {one.leads:.0%} of the time, "
            f"open at {_db(one.mean_share)} on average."
        )
        if one.weight_db:
            yield f"{one.name} was asked to count for {abs(one.weight_db):g} dB {'more' if one.weight_db > 0 else 'less'}."
        if one.handicap_db >= LEAST_HANDICAP_DB:
            yield f"{one.name} counts for {one.handicap_db:.1f} dB less: its noise lies nearer to its speech than the others' does."
    for row in mix.lined_up:
        if row.delay_ms > 0:
            yield (
                f"{row.name} comes {row.delay_ms:.2f} ms later, lined up with {row.against} "
                f"({row.looks} looks, the peak stands {row.clearness:.0f} times over what is around it)."
            )
        if row.turned_over:
            yield f"{row.name} was turned over: it stood upside down against {row.against}."
    for choice in mix.choices:
        fade = f", cross-faded over {choice.fade_s * 1000:.0f} ms" if choice.fade_s else ""
        yield f"From {_clock(choice.start_s)}{fade}, track {choice.track}: {choice.reason}"
    for hum in mix.notched:
        yield (
            f"Track {hum.track}: hum of {hum.lowest_hz:.2f} to {hum.highest_hz:.2f} Hz notched out at "
            f"{len(hum.orders)} of its multiples."
        )
    for path in mix.fields:
        yield f"B-format: {path.name}."
    limited = [action for action in mix.actions if action.what == "limited"]
    if limited:
        most = max(action.reduction_db for action in limited)
        yield f"The limiter acted {len(limited)} times and took off {most:.1f} dB at most; the times are in {mix.sidecar.name}."


def _db(power: float) -> str:
    return f"{10 * math.log10(power):.1f} dB" if power > 0 else "nothing"


def _clock(seconds: float) -> str:
    return f"{int(seconds // 60)}:{seconds % 60:04.1f}"
