"""Risk, gain windows, limiters and remedies of one track."""

from dataclasses import replace

import pytest

from takewell.plan.day import PlannedTrack, SetUp
from takewell.plan.levels import gain_window, limiter_cases, overload_risk_percent, track_levels
from takewell.plan.remedies import remedies
from takewell.plan.stages import PASCAL_DB_SPL


@pytest.fixture
def set_up():
    return SetUp(
        name="here", scenes=(), start_h=9.0, end_h=10.0, recording_min=30.0, longest_take_min=10.0, room_noise_db_a=20.0,
        room_noise_sd_db=3.0, room_volume_m3=None, reverberation_s=None, temperature_c=20.0, tracks=(),
    )  # fmt: skip


@pytest.fixture
def track(microphone, recorder_input, source):
    def made(*sources, gain_db=30.0, **changes):
        planned = PlannedTrack(
            name="t", microphone=microphone, recorder_input=recorder_input, gain_db=gain_db, transmitter=None,
            transmitter_gain_db=0.0, pad_db=0.0, encoding="int24", role="iso", sources=sources or (source(70.0, 18.0, 4.0),),
        )  # fmt: skip
        return replace(planned, **changes)

    return made


# The normal distribution: one in two beyond its middle, 15.87 % beyond one, 5 % beyond 1.6449 and 1 % beyond 2.3263
# standard deviations (any table of it).
@pytest.mark.parametrize(
    ("sigmas", "percent"), [(0.0, 50.0), (1.0, 15.866), (1.6449, 5.0), (2.3263, 1.0), (-1.0, 84.134)]
)
def test_the_risk_is_the_tail_of_a_normal_distribution_in_db(sigmas, percent):
    assert overload_risk_percent(4.0 * sigmas, 4.0) == pytest.approx(percent, abs=0.001)


def test_a_level_without_spread_is_over_or_not():
    assert overload_risk_percent(0.1, 0.0) == 0.0
    assert overload_risk_percent(-0.1, 0.0) == 100.0


def test_more_gain_is_more_risk_and_never_more_floor(track, set_up, conditions, source):
    points = gain_window(track(source(80.0, 18.0, 4.0)), set_up, conditions).points
    assert [p.gain_db for p in points] == [float(g) for g in range(71)]
    risks = [p.risk_percent for p in points]
    floors = [p.floor_db_spl_a for p in points]
    assert risks == sorted(risks)
    assert floors == sorted(floors, reverse=True)
    assert risks[0] < 1e-6
    assert risks[-1] > 99.9


def test_the_window_ends_where_the_loudest_has_its_margin_left(track, set_up, conditions, source):
    # Crest 18 dB, RMS 80: peak 95 as AES17 counts. The file gives way at 151.76 - gain dB SPL; 1 % of risk with a
    # standard deviation of 4 dB wants 2.3263 * 4 = 9.31 dB: gain at most 151.76 - 95 + 0.0 - 9.31 = 47.4.
    window = gain_window(track(source(80.0, 18.0103, 4.0)), set_up, conditions)
    assert window.highest_for_loud_db == 47.0
    assert window.high_db == 47.0


def test_the_window_begins_where_the_recorder_adds_one_db(track, set_up, conditions):
    window = gain_window(track(), set_up, conditions)
    lowest = min(p.floor_db_spl_a for p in window.points)
    by_gain = {p.gain_db: p.floor_db_spl_a for p in window.points}
    assert by_gain[window.lowest_for_quiet_db] <= lowest + 1.0 < by_gain[window.lowest_for_quiet_db - 1]


def test_the_combined_risk_is_that_of_at_least_one(track, set_up, conditions, source):
    both = track(source(90.0, 18.0, 4.0, name="a"), source(92.0, 18.0, 4.0, name="b"))
    for point in gain_window(both, set_up, conditions).points[::7]:
        a, b = (risk / 100 for risk in point.risks_percent)
        assert point.risk_percent / 100 == pytest.approx(1 - (1 - a) * (1 - b))


def test_a_float_file_behind_two_converters_is_served_by_any_gain(
    track, set_up, conditions, recorder_input, source
):
    device = replace(
        recorder_input, gain_place="after_converter", gain_min_db=-60.0, gain_max_db=60.0, encoding="float32",
        converters=2.0, second_offset_db=30.0, handover_dbfs=-34.0,
    )  # fmt: skip
    planned = track(source(95.0, 18.0, 4.0), recorder_input=device, encoding="float32", gain_db=50.0)
    levels = track_levels(planned, set_up, conditions)
    assert (levels.window.low_db, levels.window.high_db) == (-60.0, 60.0)
    assert levels.loudest.passed[-1].peak_db > 0
    assert limiter_cases(levels, set_up, conditions) == ()


def test_when_no_gain_serves_both_ends_what_would_is_tried(track, set_up, conditions, source):
    # A bang whose peak is 131 dB SPL as AES17 counts: this microphone gives way at 130 whatever the gain.
    wide = replace(track().recorder_input, converter_range_db_a=130.0)
    planned = track(source(114.0, 20.0, 1.0, kind="impulse"), gain_db=10.0, recorder_input=wide)
    levels = track_levels(planned, set_up, conditions)
    assert not levels.window.is_open
    assert levels.window.highest_for_loud_db is None
    assert levels.loudest.first.stage.part == "microphone"
    tried = {remedy.words: remedy for remedy in remedies(levels, set_up, conditions)}
    assert not tried["a pad of 20 dB"].helps  # it lies behind the microphone
    assert tried["cardioid, generic"].helps  # 135 dB SPL
    assert tried["microphone 1.5 times as far away"].helps  # 3.5 dB less
    assert list(tried.values()) == sorted(tried.values(), key=lambda r: not r.helps)


def test_a_remedy_that_helps_really_does(track, set_up, conditions, source):
    noisy = replace(track().recorder_input, converter_range_db_a=75.0)
    planned = track(source(84.0, 18.0, 4.0), recorder_input=noisy)
    levels = track_levels(planned, set_up, conditions)
    assert not levels.window.is_open
    best = remedies(levels, set_up, conditions)[0]
    assert best.words == "two converters and float files"
    assert best.helps
    assert best.floor_change_db < 0


def test_limiters_save_overloads_and_say_what_they_cost(track, set_up, conditions, source):
    levels = track_levels(track(source(95.0, 20.0, 4.0, rise_ms=1.0), gain_db=40.0), set_up, conditions)
    none, analogue, deferred = limiter_cases(levels, set_up, conditions)
    assert [c.kind for c in (none, analogue, deferred)] == ["none", "analogue", "deferred"]
    assert none.margin_db < 0
    # 10 dB deferred give 10 dB more room and 10 dB more converter noise (common practice, no source); the preamplifier has
    # 4 dB more than the converter and would stop an analogue limiter there.
    assert deferred.margin_db - none.margin_db == pytest.approx(10.0)
    assert deferred.converter_noise_rise_db == pytest.approx(10.0)
    assert 0 < deferred.floor_rise_db < deferred.converter_noise_rise_db
    assert analogue.margin_db - none.margin_db == pytest.approx(4.0)
    assert analogue.converter_noise_rise_db == 0.0
    assert "too high" in analogue.cost
    assert analogue.peak_lowered_db > 0


def test_a_pad_lowers_what_lies_behind_it_only(track, set_up, conditions):
    plain = track_levels(track(), set_up, conditions)
    padded = track_levels(track(pad_db=20.0), set_up, conditions)
    for part, change in [("microphone", 0.0), ("preamplifier", -20.0), ("converter", -20.0), ("file", -20.0)]:
        before, after = (
            next(p.rms_db for p in levels.sources[0].passed if p.stage.part == part)
            for levels in (plain, padded)
        )
        assert after - before == pytest.approx(change)
    assert padded.floor_db_spl_a > plain.floor_db_spl_a


def test_the_floor_in_the_file_is_the_floor_at_the_microphone_carried_through(track, set_up, conditions):
    levels = track_levels(track(), set_up, conditions)
    # 30 dB of gain: 93.979 dB SPL are -27.78 dBFS.
    assert levels.floor_dbfs_a - levels.floor_db_spl_a == pytest.approx(-27.7815 - PASCAL_DB_SPL, abs=1e-3)


def test_johnson_noise_is_shown_and_not_counted_twice(track, set_up, conditions, microphone):
    levels = track_levels(
        track(microphone=replace(microphone, source_impedance_ohm=150.0)), set_up, conditions
    )
    johnson = next(share for share in levels.noise if share.origin.startswith("Johnson"))
    assert not johnson.counted
    counted = [10 ** (share.level_db_spl_a / 10) for share in levels.noise if share.counted]
    assert 10 ** (levels.floor_db_spl_a / 10) == pytest.approx(sum(counted))


def test_a_bang_is_over_before_the_room_answers(track, set_up, conditions, source):
    live = replace(set_up, room_volume_m3=50.0, reverberation_s=1.0)
    bang, clap = (
        source(98.0, 20.0, 4.0, kind="impulse", name="bang"),
        source(98.0, 20.0, 4.0, name="clapping"),
    )
    heard = track_levels(track(bang, clap), live, conditions).sources
    assert heard[0].rms_db_spl == pytest.approx(98.0)
    assert heard[1].rms_db_spl > 98.0


def test_the_floor_is_as_uncertain_as_the_room_where_the_room_makes_it(track, set_up, conditions):
    loud, quiet = (
        track_levels(track(), replace(set_up, room_noise_db_a=noise), conditions).floor_sd_db
        for noise in (60.0, -10.0)
    )
    # All of it the room's 3 dB and the microphone's 1 dB; or the microphone's alone.
    assert loud == pytest.approx(10**0.5, abs=0.01)
    assert quiet == pytest.approx(1.0, abs=0.01)
