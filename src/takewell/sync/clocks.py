"""How far may two clocks run apart, by their profiles?"""

from takewell.kit.profile import find_profile
from takewell.kit.values import Clock
from takewell.plan.clock import apart_ppm as profiles_apart_ppm


def apart_ppm(recorder: str | None, camera: str | None) -> float | None:
    """Return the most that two clocks may run apart in ppm, None where neither profile is named.

    Parameters
    ----------
    recorder, camera : str, optional
        Names of clock profiles, or paths. One that is not named counts as exact.

    Raises
    ------
    FileError, SettingError
        If there is no such profile.
    """
    clocks = [find_profile(name, Clock) for name in (recorder, camera) if name is not None]
    if not clocks:
        return None
    exact = Clock(name="exact", ppm=0.0)
    first, second = clocks if len(clocks) == 2 else (clocks[0], exact)
    return profiles_apart_ppm(first, second)[0]
