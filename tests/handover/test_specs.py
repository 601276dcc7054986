"""Delivered loudness held against the published documents, at and just past their edges."""

import pytest

from takewell.errors import SettingError
from takewell.handover.specs import loudness_checks, loudness_spec


# EBU R 128 v5.0: -23.0 LUFS, QC +-0.2 LU, at most -1 dBTP (+-0.3 dB meter tolerance).
# ATSC A/85: -24 LKFS +-2 dB, at most -2 dBTP. AES TD1008: speech -18 LUFS, +1 LU, at most -1 dBTP.
@pytest.mark.parametrize(
    ("name", "lufs", "dbtp", "passed"),
    [
        ("r128", -23.0, -1.0, (True, True)),
        ("r128", -22.8, -0.7, (True, True)),
        ("r128", -22.79, -0.69, (False, False)),
        ("r128", -23.2, -9.0, (True, True)),
        ("r128", -23.21, -9.0, (False, True)),
        ("a85", -26.0, -2.0, (True, True)),
        ("a85", -26.01, -1.99, (False, False)),
        ("a85", -22.0, -3.0, (True, True)),
        ("td1008-speech", -17.0, -1.0, (True, True)),
        ("td1008-speech", -16.99, -0.99, (False, False)),
        ("r128", None, None, (False, False)),
    ],
)
def test_the_documents_edges(name, lufs, dbtp, passed):
    assert tuple(check.passed for check in loudness_checks("mix", loudness_spec(name), lufs, dbtp)) == passed


def test_an_unknown_document_is_refused_with_those_there_are():
    with pytest.raises(SettingError, match="r128, a85, td1008-speech"):
        loudness_spec("loud")


def test_a_check_says_what_is_required_and_found():
    loudness, peak = loudness_checks("mix 4-2", loudness_spec("r128"), -22.1, -0.2)
    assert loudness.required == "−23 LUFS ±0.2 LU (EBU R 128 v5.0, quality control)"
    assert loudness.found == "−22.10 LUFS"
    assert peak.found == "−0.20 dBTP"
