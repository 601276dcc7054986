"""How is a sound field of first order turned, named in either convention, and heard by microphones that were not there?

Axes: x front, y left, z up; azimuth runs counter-clockwise seen from above, elevation upwards, in degrees. For a
plane wave of pressure p from the unit vector u:

    ambix   channels W, Y, Z, X (ACN), SN3D:   W = p,           X, Y, Z = p u
    fuma    channels W, X, Y, Z, W 3 dB down:  W = p / sqrt 2,  X, Y, Z = p u

(Nachbar, Zotter, Deleflie and Sontacchi, "AmbiX", Ambisonics Symposium 2011; the factor between the two is the one that
the published converters use.) A virtual microphone with the first-order pattern ``c + (1 - c) cos(angle)`` is

    s = c W + (1 - c) (u_x X + u_y Y + u_z Z)      (SN3D)

with c = 1 a sphere, 0.5 a cardioid, 0.37 a supercardioid, 0 a figure of eight.

Conventions: samples (n, 4); matrices stand to the right of them, rows in and columns out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from takewell.shape.places import CHANNELS, Layout

F64 = NDArray[np.float64]
Convention = Literal["ambix", "fuma"]

ORDERS: dict[Convention, tuple[str, ...]] = {"ambix": ("W", "Y", "Z", "X"), "fuma": ("W", "X", "Y", "Z")}
"""The channels of each convention, in order."""

NORMALISATIONS: dict[Convention, str] = {"ambix": "SN3D", "fuma": "W at -3.01 dB"}

_TO_AMBIX = np.array(
    [[2**0.5, 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 1.0], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]]
)
"""From W X Y Z with W at -3 dB to W Y Z X."""


@dataclass(frozen=True)
class VirtualMicrophone:
    """Where a microphone looks that is made from B-format, and its pattern."""

    azimuth_deg: float = 0.0
    elevation_deg: float = 0.0
    pattern: float = 0.5
    """The part of pressure in it: 1 sphere, 0.5 cardioid, 0.37 supercardioid, 0 figure of eight."""


STANDARD: dict[Layout, tuple[VirtualMicrophone, ...]] = {
    "mono": (VirtualMicrophone(),),
    "stereo": (VirtualMicrophone(55.0), VirtualMicrophone(-55.0)),
    "5.1": (
        VirtualMicrophone(30.0),
        VirtualMicrophone(-30.0),
        VirtualMicrophone(0.0),
        VirtualMicrophone(110.0),
        VirtualMicrophone(-110.0),
    ),
}
"""What a layout is heard by unless somebody says otherwise: one cardioid; two, 110 degrees apart; one toward each
loudspeaker of ITU-R BS.775-4 (the LFE stays empty)."""


def conversion(given: Convention, wanted: Convention) -> F64:
    """Return the (4, 4) matrix from one convention to the other.

    Examples
    --------
    A wave from the front, both ways.

    >>> (np.array([0.7071, 1, 0, 0]) @ conversion("fuma", "ambix")).round(3).tolist()
    [1.0, 0.0, 0.0, 1.0]
    """
    if given == wanted:
        return np.eye(4)
    return _TO_AMBIX if given == "fuma" else np.asarray(np.linalg.inv(_TO_AMBIX))


def rotation(yaw_deg: float, pitch_deg: float = 0.0, roll_deg: float = 0.0) -> F64:
    """Return the (4, 4) matrix that turns an ambix sound field.

    First about x (`roll_deg`: the left side goes up), then about y (`pitch_deg`: the front goes up), then about z
    (`yaw_deg`: the front goes left). A microphone that hung tilted or turned is set right by the opposite angles in the
    opposite order, that is by this matrix transposed.
    """
    yaw, pitch, roll = np.radians([yaw_deg, pitch_deg, roll_deg])
    about_x = np.array([[1, 0, 0], [0, np.cos(roll), -np.sin(roll)], [0, np.sin(roll), np.cos(roll)]])
    about_y = np.array([[np.cos(pitch), 0, -np.sin(pitch)], [0, 1, 0], [np.sin(pitch), 0, np.cos(pitch)]])
    about_z = np.array([[np.cos(yaw), -np.sin(yaw), 0], [np.sin(yaw), np.cos(yaw), 0], [0, 0, 1]])
    turned = about_z @ about_y @ about_x  # of columns (x, y, z)
    order = [1, 2, 0]  # ambix has Y, Z, X
    matrix = np.eye(4)
    matrix[1:, 1:] = turned[np.ix_(order, order)].T  # samples stand to the left
    return matrix


def heard_by(microphones: Sequence[VirtualMicrophone]) -> F64:
    """Return the (4, microphones) matrix that makes virtual microphones of ambix."""
    columns = []
    for one in microphones:
        azimuth, elevation = np.radians([one.azimuth_deg, one.elevation_deg])
        x, y, z = np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)
        columns.append([one.pattern, *((1 - one.pattern) * np.array([y, z, x]))])
    return np.array(columns).reshape(-1, 4).T


def onto(layout: Layout, microphones: Sequence[VirtualMicrophone] = ()) -> F64:
    """Return the (4, channels) matrix from ambix to the channels of a layout.

    Parameters
    ----------
    layout : {"mono", "stereo", "5.1"}
    microphones : sequence of VirtualMicrophone, optional
        One for each channel but the LFE; the layout's `STANDARD` ones where none are given. The standard ones are scaled
        so that a wave from the front has the power of a mono track in the middle.
    """
    heard = heard_by(microphones or STANDARD[layout])
    if not microphones:
        front = np.array([1.0, 0.0, 0.0, 1.0]) @ heard
        heard = heard / np.sqrt(np.sum(front**2))
    names = CHANNELS[layout]
    full = np.zeros((4, len(names)))
    full[:, [at for at, name in enumerate(names) if name != "LFE"]] = heard
    return full
