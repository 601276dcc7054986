"""Sound fields against the published first-order tables, and against geometry."""

import json
from pathlib import Path

import numpy as np
import pytest

from takewell.shape.a_format import CAPSULES, LATENCY, SUMS, AFormat, correction, fall_off, sums
from takewell.shape.b_format import (
    NORMALISATIONS,
    ORDERS,
    VirtualMicrophone,
    conversion,
    heard_by,
    onto,
    rotation,
)

RATE = 48_000
TABLE = json.loads((Path(__file__).parents[1] / "data" / "mix" / "ambisonics_first_order.json").read_text())
VECTORS = TABLE["test_vectors"]
assert len(VECTORS) == 8


def direction(azimuth_deg: float, elevation_deg: float) -> np.ndarray:
    a, e = np.radians([azimuth_deg, elevation_deg])
    return np.array([np.cos(a) * np.cos(e), np.sin(a) * np.cos(e), np.sin(e)])


def ambix(azimuth_deg: float, elevation_deg: float = 0.0) -> np.ndarray:
    x, y, z = direction(azimuth_deg, elevation_deg)
    return np.array([1.0, y, z, x])


@pytest.mark.parametrize("vector", VECTORS, ids=lambda v: v["direction"])
def test_published_vectors(vector: dict) -> None:
    capsules = np.array(vector["A_format_FLU_FRD_BLD_BRU"])
    order = [TABLE["order"]["AmbiX"].index(name) for name in "WXYZ"]
    primes = capsules @ SUMS
    assert primes[order] == pytest.approx(vector["B_prime_sum"], abs=3e-6)  # printed to six decimals
    found = capsules @ sums()
    assert found == pytest.approx(vector["ambix_SN3D_ACN_WYZX"], abs=3e-6)
    fuma = found @ conversion("ambix", "fuma")
    assert fuma == pytest.approx(vector["fuma_WXYZ"], abs=3e-6)
    assert fuma @ conversion("fuma", "ambix") == pytest.approx(found, abs=1e-12)


def test_published_matrix_orders_and_gains() -> None:
    assert tuple(TABLE["A_to_B"]["input_order"]) == CAPSULES
    for column, name in zip(SUMS.T, ORDERS["ambix"], strict=True):
        assert column.tolist() == TABLE["A_to_B"][name]
    assert {"ambix": tuple(TABLE["order"]["AmbiX"]), "fuma": tuple(TABLE["order"]["FuMa"])} == ORDERS
    gains = conversion("fuma", "ambix")
    assert gains[0, 0] == pytest.approx(TABLE["fuma_to_ambix_gain"]["W"])
    assert conversion("ambix", "fuma")[0, 0] == pytest.approx(TABLE["ambix_to_fuma_gain"]["W"])
    assert np.count_nonzero(gains) == 4
    assert set(NORMALISATIONS) == set(ORDERS)


@pytest.mark.parametrize("pattern", [1.0, 0.5, 0.37, 0.0])
@pytest.mark.parametrize(("azimuth", "elevation"), [(0, 0), (70, 10), (-135, -40), (20, 90)])
def test_a_virtual_microphone_has_its_pattern_wherever_it_looks(pattern, azimuth, elevation) -> None:  # type: ignore[no-untyped-def]
    matrix = heard_by([VirtualMicrophone(azimuth, elevation, pattern)])
    for source in ((0, 0), (40, 0), (70, 10), (110, -80), (180, 30)):
        cosine = float(direction(azimuth, elevation) @ direction(*source))
        heard = float((ambix(*source) @ matrix)[0])
        assert heard == pytest.approx(pattern + (1 - pattern) * cosine, abs=1e-12)


@pytest.mark.parametrize(
    ("turn", "source", "arrives"),
    [
        ((90, 0, 0), (0, 0), (90, 0)),  # the front goes left
        ((0, 90, 0), (0, 0), (0, 90)),  # the front goes up
        ((0, 0, 90), (90, 0), (0, 90)),  # the left side goes up
        ((30, 0, 0), (10, 20), (40, 20)),
        ((0, 0, 45), (0, 0), (0, 0)),
    ],
)
def test_a_field_turns_as_it_says(turn, source, arrives) -> None:  # type: ignore[no-untyped-def]
    assert ambix(*source) @ rotation(*turn) == pytest.approx(ambix(*arrives), abs=1e-12)
    assert ambix(*arrives) @ rotation(*turn).T == pytest.approx(ambix(*source), abs=1e-12)


def test_turning_keeps_a_field_a_field() -> None:
    matrix = rotation(20, 33, -71)
    assert matrix @ matrix.T == pytest.approx(np.eye(4), abs=1e-12)
    assert np.linalg.det(matrix) == pytest.approx(1.0)


def test_layouts_hear_the_front_at_the_power_of_a_mono_track_and_leave_the_lfe_empty() -> None:
    for layout in ("mono", "stereo", "5.1"):
        assert ((ambix(0) @ onto(layout)) ** 2).sum() == pytest.approx(1.0)  # type: ignore[arg-type]
    full = onto("5.1")
    assert not full[:, 3].any()
    left, right, centre, _, back_left, back_right = ambix(90) @ full
    assert left > right
    assert back_left > centre > back_right


def capsules_hear(azimuth: float, elevation: float, hertz: np.ndarray, radius: float) -> np.ndarray:
    """What four cardioids on a sphere make of a plane wave, (frequencies, 4): the slow, obvious sum."""
    faces = np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(3)
    cosine = faces @ direction(azimuth, elevation)
    return (0.5 + 0.5 * cosine) * np.exp(2j * np.pi * hertz[:, None] * radius * cosine / 343.0)


@pytest.mark.parametrize("radius", [0.012, 0.0147, 0.02])
def test_the_fall_off_is_that_of_capsules_averaged_over_all_directions(radius: float) -> None:
    """Against a numerical mean over the sphere (Gauss-Legendre in elevation, even in azimuth)."""
    hertz = np.array([100.0, 1000.0, 4000.0, 8000.0, 12_000.0])
    nodes, weights = np.polynomial.legendre.leggauss(24)
    pressure, forward = np.zeros(len(hertz), complex), np.zeros(len(hertz), complex)
    for height, weight in zip(nodes, weights, strict=True):
        for azimuth in np.arange(0, 360, 360 / 32):
            elevation = np.degrees(np.arcsin(height))
            field = capsules_hear(azimuth, elevation, hertz, radius) @ sums()
            along = direction(azimuth, elevation)
            pressure += field[:, 0] * weight / 64
            # Order one: what the X, Y, Z channels hold of the direction the wave came from.
            forward += field[:, 1:] @ along[[1, 2, 0]] * weight / 64
    left = fall_off(hertz, radius)
    # Four capsules integrate exactly up to second order; what they alias of higher orders does not show in these means.
    assert np.abs(left[0] - pressure).max() < 1e-3
    assert np.abs(left[1] - forward).max() < 1e-3


def test_correction_of_pressure_agrees_with_the_published_filter() -> None:
    """Gerzon 1975 gives (1 + i a - a^2 / 3) / (1 + i a / 3), a = 2 pi f r / c, for cardioids (from memory)."""
    hertz = np.array([200.0, 1000.0, 3000.0, 6000.0, 9000.0])
    radius = 0.0147
    a = 2 * np.pi * hertz * radius / 343.0
    published = np.abs((1 + 1j * a - a**2 / 3) / (1 + 1j * a / 3))
    pressure, _ = correction(radius, RATE)
    taps = np.exp(-2j * np.pi * hertz[:, None] * np.arange(len(pressure)) / RATE) @ pressure
    assert 20 * np.log10(np.abs(taps) / published) == pytest.approx(0.0, abs=0.6)


@pytest.mark.parametrize("hertz", [200.0, 2000.0, 6000.0])
@pytest.mark.parametrize(("azimuth", "elevation"), [(0, 0), (90, 0), (45, 0), (30, 20), (-160, -50)])
def test_a_wave_comes_out_as_the_filters_promise(hertz: float, azimuth: float, elevation: float) -> None:
    phase = np.exp(2j * np.pi * hertz * np.arange(4800) / RATE)
    heard = capsules_hear(azimuth, elevation, np.array([hertz]), 0.012)
    field = AFormat(RATE, 0.012).apply((phase[:, None] * heard).real)
    pressure, velocity = fall_off(np.array([hertz]), 0.012)
    promised = heard @ sums() / np.stack([pressure, velocity, velocity, velocity], axis=1)
    wanted = (phase[1000:4000, None] * promised).real
    moved = field[1000 + LATENCY : 4000 + LATENCY]
    assert np.sqrt(np.mean((moved - wanted) ** 2) / np.mean(wanted**2)) < 0.01
    if hertz == 200.0:  # far below where four capsules fray, that is the wave's own ambix
        assert np.abs(promised[0] - ambix(azimuth, elevation)).max() < 0.03


def test_blocks_of_any_size_give_the_same_field() -> None:
    capsules = np.random.default_rng(1).standard_normal((3000, 4))
    whole = AFormat(RATE, 0.0147).apply(capsules)
    cut = AFormat(RATE, 0.0147)
    parts = [cut.apply(part) for part in np.split(capsules, [1, 50, 1000, 1001, 2999])]
    assert np.concatenate(parts) == pytest.approx(whole, abs=1e-12)


def test_no_radius_means_sums_only() -> None:
    capsules = np.random.default_rng(2).standard_normal((500, 4))
    field = AFormat(RATE, 0.0).apply(capsules)
    assert field[LATENCY:] == pytest.approx(capsules[:-LATENCY] @ sums(), abs=1e-12)
