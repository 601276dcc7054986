"""Are the compiled loops at hand, or must they be compiled first?

numba keeps compiled loops beside the module where that folder can be written, else in the user's cache folder, and
compiles once for every processor and version. That first time takes some seconds; this says so. A compilation holds
numba's lock, so a second core can only help from a process of its own.
"""

import subprocess
import sys
from collections.abc import Callable

import numpy as np

MESSAGE = "Compiling the measuring loops; this happens once and takes some seconds."


def ready(
    announce: Callable[[str], None] | None = None,
    *,
    rendering: bool = False,
    also: Callable[[], object] | None = None,
) -> None:
    """Load the compiled loops, compiling them if need be.

    Parameters
    ----------
    announce : function of str, optional
        Called with one sentence before a compilation, not called when the loops are at hand.
    rendering : bool
        Whether those that write sound (gain, limiter, dither) are wanted as well as those that measure it.
    also : function, optional
        Runs further loops once, those of a room above.
    """
    from numba.core import event

    from takewell.engine.meter import Meter

    class Listener(event.Listener):
        other_half: subprocess.Popen[bytes] | None = None
        measuring = True
        told = False

        def on_start(self, _event: object) -> None:
            if self.told:
                return
            self.told = True
            if announce is not None:
                announce(MESSAGE)
            if rendering and self.measuring:
                self.other_half = subprocess.Popen(
                    [sys.executable, "-c", f"from {__name__} import render_something; render_something()"],
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                )

        def on_end(self, _event: object) -> None:
            """Nothing to say."""

    listener = Listener()
    with event.install_listener("numba:compile", listener):
        # The usual rate: its filters are then designed already.
        meter = Meter(48_000, 1, encoding="float32")
        meter.add(np.zeros((4_800, 1), np.float32))
        meter.finish()
        listener.measuring = False
        if listener.other_half is not None:
            listener.other_half.wait()
        if rendering:
            render_something()
        if also is not None:
            also()


def render_something() -> None:
    """Send a few samples through every loop that writes sound."""
    from takewell.shape import GainBank, GainEnvelope, GainSpan, Limiter
    from takewell.wave import Quantiser

    length = 8000
    gain = GainEnvelope.from_spans(
        [GainSpan(0, 4000, 6.0, fade_out=100), GainSpan(4000, length, 0.0)], length
    )
    limiter = Limiter(8000, 1, -1.0)
    loud = GainBank([gain]).apply(np.ones((length, 1), np.float32), 0)
    Quantiser("int24", 1).encode(np.concatenate([limiter.add(loud), limiter.finish()]))
