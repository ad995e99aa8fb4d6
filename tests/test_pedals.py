"""A throttle channel in another unit than the log says is left out or taken as shares, and told; never believed."""

import re
from dataclasses import replace

import numpy as np
import pytest
from envelope_cases import drive
from report_case import circle_case

from simlap.envelope_fit import fit_envelope
from simlap.envelope_samples import road_samples
from simlap.habit_link import sheets_of
from simlap.pedals import at_rest, throttle_of, widest_opening
from simlap.report.data_cautions import data_cautions
from simlap.thresholds import default_thresholds


def with_throttle(table, values):
    return replace(table, channels={**table.channels, "throttle": values})


def test_a_spike_is_not_the_stop_of_the_pedal():
    table = circle_case().table
    values = np.full(np.asarray(table.v).shape, 0.8)
    values[0, 3] = 9.0
    rows = np.arange(values.shape[0])
    assert widest_opening(with_throttle(table, values), rows) == pytest.approx(0.8)
    assert throttle_of(with_throttle(table, values), rows)[1, 5] == pytest.approx(1.0)
    assert widest_opening(replace(table, channels={}), rows) is None


@pytest.mark.parametrize("closed", [0.0, 0.12, 0.3])
def test_the_throttle_counts_from_where_it_is_closed(closed):
    # a raw sensor reads something at rest; the affine map to 0..1 is exact
    case = drive("a little below", seed=1)
    throttle = np.clip(np.asarray(case.table.a_lon) / 4.0, 0.0, 1.0)
    rows = np.ones(throttle.shape[0], dtype=bool)
    raw = with_throttle(case.table, closed + (0.9 - closed) * throttle)
    whole = throttle_of(with_throttle(case.table, throttle), rows)
    assert throttle_of(raw, rows) == pytest.approx(whole, abs=1e-12)


def test_a_throttle_that_is_open_while_the_car_slows_is_left_out_and_told():
    case = drive("a little below", seed=1)
    throttle = np.clip(np.asarray(case.table.a_lon) / 4.0, 0.0, 1.0)
    rows = np.ones(throttle.shape[0], dtype=bool)
    assert throttle_of(with_throttle(case.table, 1.0 - throttle), rows) is None
    judged = circle_case()
    slows = np.where(np.arange(judged.table.v.shape[1]) % 2 == 0, -4.0, 4.0) + 0.0 * np.asarray(judged.table.v)
    table = replace(judged.table, a_lon=slows)
    told = {}
    for name, values in (("right", slows > 0.0), ("turned", slows < 0.0)):
        case = replace(judged, table=with_throttle(table, 1.0 * values))
        told[name] = [caution.text for caution in data_cautions(case) if caution.key == "throttle"]
    assert told["right"] == []
    assert len(told["turned"]) == 1
    assert "reads 100 % while the car slows" in told["turned"][0]


@pytest.mark.parametrize("bar", [-3.0, 0.0, 0.5, 5.0])
def test_a_brake_pressure_counts_from_its_rest_and_a_large_one_is_told(bar):
    judged = circle_case()
    speeds_up = np.arange(judged.table.v.shape[1]) % 3 > 0
    a_lon = np.where(speeds_up, 2.0, -6.0) + 0.0 * np.asarray(judged.table.v)
    pressure = np.where(a_lon < 0.0, 60e5, 0.0) + bar * 1e5
    table = replace(judged.table, a_lon=a_lon, channels={**judged.table.channels, "brake_pressure": pressure})
    rows = np.ones(a_lon.shape[0], dtype=bool)
    assert at_rest(table, "brake_pressure", rows) == pytest.approx(bar * 1e5)
    told = [c.text for c in data_cautions(replace(judged, table=table)) if c.key == "brake at rest"]
    assert [f"{bar:.1f} bar" in text for text in told] == ([True] if abs(bar) >= 1.0 else [])


@pytest.mark.parametrize("scale", [10.0, 0.97])
def test_the_envelope_takes_the_throttle_as_a_share_of_its_widest_opening(scale):
    case = drive("a little below", seed=1)
    throttle = np.clip(np.asarray(case.table.a_lon) > 0.3, 0.0, 1.0)
    right, other = (fit_envelope(with_throttle(case.table, k * throttle), case.line, draws=0) for k in (1.0, scale))
    assert other.envelope.pack() == pytest.approx(right.envelope.pack(), rel=1e-9)  # the same numbers but for rounding


def test_the_envelope_leaves_out_a_throttle_that_never_opens():
    # 0..1 logged as percent: before, every window was driven with a closed throttle.
    case = drive("a little below", seed=1)
    throttle = np.clip(np.asarray(case.table.a_lon) > 0.3, 0.0, 1.0)
    assert road_samples(with_throttle(case.table, 0.01 * throttle), case.line).throttle is None
    assert road_samples(with_throttle(case.table, throttle), case.line).throttle is not None


@pytest.mark.parametrize("gap", ["two fifths of half of the laps", "from the middle on"])
def test_a_driver_who_lifts_while_the_throttle_is_silent_says_nothing_of_the_engine(gap):
    # Before, a straight line was drawn across the gap and the pull scaled up by the throttle that it showed. Now what
    # those laps do at full throttle there must not matter; against the truth 5 % are the bar "limits".
    case = drive("a little below", seed=1)
    throttle = np.clip(np.asarray(case.table.a_lon) > 0.3, 0.0, 1.0)
    laps, stations = throttle.shape
    silent = np.zeros(throttle.shape, dtype=bool)
    if gap == "from the middle on":
        silent[laps // 2 :] = True
    else:
        silent[::2, stations // 5 : 3 * stations // 5] = True
    curves = []
    for lift in (0.0, 1.0):
        a_lon = np.where(silent & (throttle == 1.0), case.table.a_lon - lift, case.table.a_lon)
        table = with_throttle(replace(case.table, a_lon=a_lon), np.where(silent, np.nan, throttle))
        fit = fit_envelope(table, case.line, draws=0)
        v = np.linspace(25.0, fit.envelope.tested["engine"][1], 20)
        curves.append(np.interp(v, fit.envelope.engine_v, fit.envelope.engine_a))
        (told,) = [note for note in fit.notes if "gaps on lap" in note]
        assert re.search(r"gaps on lap \d+(, \d+)*;", told)
    assert curves[1] == pytest.approx(curves[0], rel=0.005, abs=0.01)  # other limits move a little, and its windows
    truth = np.interp(v, case.truth.engine_v, case.truth.engine_a)
    assert curves[0].mean() == pytest.approx(truth.mean(), rel=0.05)
    whole = fit_envelope(with_throttle(case.table, throttle), case.line, draws=0)
    assert not [note for note in whole.notes if "gaps" in note]


def test_where_one_lap_alone_holds_the_throttle_it_is_not_full():
    case = drive("a little below", seed=1)
    opened = np.where(np.median(case.table.a_lon, axis=0) > -2.0, 1.0, 0.0) + 0.0 * np.asarray(case.table.v)
    throttle = np.array(opened)
    throttle[1:, 100:200] = np.nan
    throttle[1, 300] = np.nan
    samples = road_samples(with_throttle(case.table, throttle), case.line)
    assert (samples.throttle[:, 100:200] == 0.0).all()
    assert np.array_equal(np.delete(samples.throttle, np.s_[100:200], 1), np.delete(opened, np.s_[100:200], 1))
    assert samples.throttle_silent.sum() == 100 * (throttle.shape[0] - 1) + 1


@pytest.mark.parametrize(("scale", "words"), [(0.01, "It is left out"), (10.0, "a share of that"), (0.97, None)])
def test_a_throttle_of_another_unit_raises_a_caution(scale, words):
    case = circle_case()
    shape = np.asarray(case.table.v).shape
    case = replace(case, table=with_throttle(case.table, np.full(shape, scale)))
    told = [caution.text for caution in data_cautions(case) if caution.key == "throttle"]
    assert [words in text for text in told] == ([] if words is None else [True])


@pytest.mark.parametrize(("name", "scale"), [("brake_pressure", 60e5), ("brake", 0.8)])
def test_a_brake_channel_that_reads_nothing_while_the_car_brakes_hard_is_left_out_and_told(name, scale):
    # Before, a dead sensor made every braking a coasting. 0.6 bar is what 60 bar read under the name of kPa.
    judged = circle_case()
    a_lon = np.where(np.arange(judged.table.v.shape[1]) % 3 > 0, 2.0, -6.0) + 0.0 * np.asarray(judged.table.v)
    for share, used in ((1.0, True), (0.01, False), (0.0, False)):
        reads = 0.02 * scale + np.where(a_lon < 0.0, share * scale, 0.0)
        case = replace(judged, table=replace(judged.table, a_lon=a_lon, channels={name: reads}))
        told = [caution for caution in data_cautions(case) if caution.key == "brake"]
        sheets, remarks = sheets_of(case, default_thresholds())
        assert {trace.has(name) for sheet in sheets for trace in sheet.traces} == {used}
        assert len(told) == len(remarks) == (0 if used else 1)
        texts = [*remarks, *(caution.text for caution in told)]
        assert all("reads next to nothing while the car brakes hard" in text for text in texts)
    gentle = replace(judged, table=replace(judged.table, a_lon=0.5 * a_lon, channels={name: reads}))
    assert sheets_of(gentle, default_thresholds())[1] == ()  # nothing tells that the brake was used
