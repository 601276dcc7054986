"""What does a phantom supply leave for the microphone, and may the microphone draw so much?

Figures of IEC 61938 as commonly published (the standard's own text was not at hand): supply and its tolerance, the
resistor in each leg, and the current that may be drawn over both legs together.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class PhantomSystem:
    """One of the standard's systems."""

    nominal_v: float
    tolerance_v: float
    resistor_ohm: float
    max_current_ma: float


SYSTEMS = (
    PhantomSystem(48, 4, 6800, 10),
    PhantomSystem(24, 4, 1200, 10),
    PhantomSystem(12, 1, 680, 15),
)


def phantom_system(supply_v: float) -> PhantomSystem | None:
    """Return the system a supply voltage belongs to, if any."""
    return next((s for s in SYSTEMS if abs(supply_v - s.nominal_v) <= s.tolerance_v), None)


def voltage_at_microphone(system: PhantomSystem, current_ma: float) -> float:
    """Return what is left at the microphone when it draws a current over both legs, in volts.

    Examples
    --------
    >>> voltage_at_microphone(SYSTEMS[0], 10)
    14.0
    """
    return system.nominal_v - system.resistor_ohm / 2 * current_ma / 1000
