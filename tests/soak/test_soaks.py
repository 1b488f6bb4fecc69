"""Whole soaks on the simulated stand: what they find, when, where, and whose fault it is."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.other_units import BARE_TABLE, LOGGED
from tests.soak.conftest import SOAK, command, finished

Soaked = Callable[..., Any]

#: What differs between two runs with the same seed: dates, names, folders, addresses of servers on this computer.
_VOLATILE = re.compile(
    r"\"(at|started)\":\"[^\"]*\"|127\.0\.0\.1(:|::)\d+|/dev/pts/\d+|/tmp/[^\"\\]*|\"(chain|run)\":\"[^\"]*\""
)


def test_a_good_unit_stays_and_every_sample_is_there(soaked: Soaked) -> None:
    """Twenty minutes at 1 Hz: 1200 samples one second apart, no event, and the page says what is proven."""
    soak = soaked("20min")
    assert soak.verdict == ("passed", "")
    times = soak.samples.times
    assert len(times) == 1200
    assert np.abs(np.diff(times) - 1.0).max() < 1e-6
    assert np.abs(soak.samples.column("supply voltage") - 24.0).max() < 0.1
    assert np.isfinite(soak.samples.values).all()
    (ended,) = soak.of_kind("soak ended")
    assert (ended["samples"], ended["missed"], ended["events"]) == (1200, 0, 0)
    assert "This soak was shortened to 20 min; the profile plans 3 d." in soak.page
    assert "The unit stayed live for 20 min without an event." in soak.page
    assert "No event in 0.333 h of running time" in soak.page


def test_the_same_seed_gives_the_same_journal(soaked: Soaked) -> None:
    """Two runs with one seed write the same journal but for addresses, and the same samples to the bit."""
    first, second = soaked("20min"), soaked("20min", again=1)
    reported = [
        _VOLATILE.sub("", (soak.folder / "journal.jsonl").read_text(encoding="ascii"))
        for soak in (first, second)
    ]
    assert reported[0] == reported[1]
    assert (first.folder / "samples-A.bin").read_bytes() == (second.folder / "samples-A.bin").read_bytes()


def test_a_fault_after_a_time_is_reported_then_and_there(soaked: Soaked) -> None:
    """A driver that opens after 11 min 42 s: reported with the next sample, at its output alone."""
    soak = soaked("20min", "--defect", "output-stuck-off@q04,after=11min42s")
    (event,) = soak.of_kind("soak event")
    assert 0.0 <= event["t"] - 702.0 <= 1.0
    assert (event["what"], event["place"]) == ("output does not follow", "q04")
    verdict, why = soak.verdict
    assert verdict == "failed"
    assert why.startswith("output does not follow at 11 min ")
    assert "q04 is commanded on and the stand senses it otherwise" in why
    assert soak.code == 1


def test_a_fault_above_a_temperature_is_reported_at_it(soaked: Soaked) -> None:
    """The unit leaves live above 38 degC: reported within a sample of the case getting there."""
    soak = soaked("20min", "--defect", "mode-unreachable@mode live,above=38degC,for=1s")
    (event,) = soak.of_kind("soak event")
    assert (event["what"], event["place"]) == ("left live", "mode live")
    case = soak.samples.column("case")
    crossed = soak.samples.times[np.flatnonzero(case > 38.0 - 0.25)[0]]
    assert event["case"] == pytest.approx(38.0, abs=0.3)
    assert abs(event["t"] - crossed) < 60.0  # the sensor has 0.5 K, and the case rises by 0.01 K a second
    assert re.match(
        r"left live at 1?\d min( \d+ s)?, case 3[78]\.\d °C: the unit reports stopped", soak.verdict[1]
    )


def test_an_event_keeps_the_fault_table_and_the_samples_around_it(soaked: Soaked) -> None:
    """A short at q05: the fault table at once, twenty samples from before and twenty fast ones after."""
    soak = soaked("20min", "--defect", "output-grounded@q05,after=10min")
    events = soak.of_kind("soak event")
    assert [event["place"] for event in events] == ["q05"] * len(events)
    assert events[1]["what"] == "fault 0x21"
    faults = [entry for entry in soak.of_kind("faults") if entry["when"] == "at event 1"]
    assert faults[0]["t"] == events[0]["t"]
    assert faults[0]["entries"][0]["place"] == "q05"
    burst = soak.of_kind("table")[0]
    since = [row[0] for row in burst["rows"]]
    before = [moment for moment in since if moment < events[0]["since"]]
    after = [moment for moment in since if moment >= events[0]["since"]]
    assert len(before) == 20
    assert np.allclose(np.diff(before), 1.0)
    assert len(after) == 21
    assert np.allclose(np.diff(after), 0.1)
    assert "fault 0x21 at q05: output overloaded" in soak.verdict[1]
    assert "if it stays replace the driver" in soak.verdict[1]


def test_a_reset_is_seen_in_the_counter_of_starts(soaked: Soaked) -> None:
    """A processor that stops is reset by its watchdog: one event, and the unit comes back."""
    soak = soaked("20min", "--defect", "processor-resets,after=10min,for=1500ms")
    whats = [(event["number"], event["what"]) for event in soak.of_kind("soak event")]
    assert (1, "reset") in whats
    assert (1, "fault 0x71") in whats
    assert {number for number, _ in whats} == {1}


def test_planned_power_cycles_are_pauses(soaked: Soaked) -> None:
    """Every five minutes off and on: three gaps that are planned, no event, and no sample missed."""
    soak = soaked(
        "20min", profile=(("cycles: {every: 12 h, off: 30 s}", "cycles: {every: 5 min, off: 30 s}"),)
    )
    gaps = soak.of_kind("soak gap")
    assert [(gap["what"], gap["planned"]) for gap in gaps] == [("power cycle", True)] * 3
    assert soak.verdict == ("passed", "")
    assert soak.of_kind("soak ended")[0]["missed"] == 0
    assert all(30.0 < gap["end"] - gap["start"] < 40.0 for gap in gaps)
    assert "In 3 gaps" in soak.page


@pytest.mark.parametrize(
    ("sign", "defect", "seen"),
    [
        ("indicator", "indicator-dark,after=5min,for=90s", "indicator (indicator) 1 time"),
        ("silent link", "link-silent,after=5min,for=3s", "link silent (link)"),
        ("ports", "port-bit-errors@port 1,severity=1", "bit errors (port 1) 1 time"),
    ],
)
def test_what_the_plan_does_not_count_is_kept_and_blames_nobody(
    sign: str, defect: str, seen: str, soaked: Soaked
) -> None:
    """The same sign is an event by default; where the plan says so it is noted once, numbered, and shown."""
    counted = soaked("12min", "--defect", defect)
    # Of a link or a port alone it cannot be known whose end it is, or whether it is the path: nobody is blamed.
    assert counted.verdict[0] == ("not performed" if sign in ("silent link", "ports") else "failed")
    assert counted.of_kind("soak event")
    plan = (("  on-event: restart", f"  on-event: restart\n  ignored-events: [{sign}]"),)
    soak = soaked("12min", "--defect", defect, profile=plan)
    assert soak.verdict == ("passed", "")
    assert soak.of_kind("soak event") == []
    notes = [entry for entry in soak.of_kind("event") if entry["what"] == "not counted"]
    assert len(notes) == 1
    assert f"By its plan this soak does not count as events: {sign}." in soak.page
    assert f"Seen nevertheless: {seen}" in soak.page


@pytest.mark.parametrize("plan", ["", "  ignored-events: [silent link]"])
def test_a_link_that_answers_nonsense_is_called_that(plan: str, soaked: Soaked) -> None:
    """It is not silent, and a plan that leaves silence uncounted does not mean nonsense."""
    profile = (("  on-event: restart", f"  on-event: restart\n{plan}"),) if plan else ()
    soak = soaked("12min", "--defect", "link-garbage,after=5min,for=3s", profile=profile)
    events = soak.of_kind("soak event")
    assert (
        {"link sends invalid data"}
        <= {e["what"] for e in events}
        <= {"link sends invalid data", "link silent"}
    )
    assert {event["place"] for event in events} == {"link"}
    verdict, why = soak.verdict
    assert verdict == "not performed"
    assert "nothing else was wrong with the unit" in why
    assert re.match(r"link sends invalid data at [45] min.*gave an invalid answer to .*", why)


def test_what_always_counts_counts_beside_it(soaked: Soaked) -> None:
    """A left mode is an event though the lamp that shows it is none, and the unit is well again without it."""
    plan = (("  on-event: restart", "  on-event: restart\n  ignored-events: [indicator, resets]"),)
    defects = ("mode-unreachable@mode live,after=6min,for=5s", "indicator-dark,after=4min")
    options = [word for defect in defects for word in ("--defect", defect)]
    soak = soaked("10min", *options, profile=plan)
    whats = [event["what"] for event in soak.of_kind("soak event")]
    assert whats == ["left live"]
    assert soak.verdict[0] == "failed"


@pytest.mark.parametrize(
    ("defect", "least"),
    [
        ("supply-half-open,after=5min,for=20s", 20.0),
        ("io-garbage,after=5min,for=20s", 20.0),
        ("supply-resets,after=5min,for=20s", 1.0),
        ("io-resets,after=5min,for=20s", 1.0),
        ("io-resets,after=597s,for=2s", 1.0),
    ],
)
def test_a_lost_instrument_is_a_gap_and_not_the_unit(defect: str, least: float, soaked: Soaked) -> None:
    """An instrument fails for a while: safe, a gap, back again, made up for, and nobody is blamed."""
    soak = soaked("10min", "--defect", defect)
    assert soak.verdict == ("passed", "")
    (gap,) = soak.of_kind("soak gap")
    assert (gap["what"], gap["planned"]) == ("instrument lost", False)
    assert least <= gap["end"] - gap["start"] < 60.0
    assert gap["until"] == pytest.approx(600.0 + gap["end"] - gap["start"], abs=1e-3)
    notes = [entry["what"] for entry in soak.of_kind("event") if entry["t"] >= 290]
    assert notes.index("instrument lost") < notes.index("safe state") < notes.index("instrument back")
    times = soak.samples.times
    assert np.count_nonzero(np.diff(times) > 1.5) == 1


def test_an_interlock_is_safe_within_a_period_and_stays_latched(
    soaked: Soaked, resume: Soaked, tmp_path: Path
) -> None:
    """The cover opens for a moment: off within a period; the soak continues only when that is acknowledged."""
    soak = soaked("10min", "--defect", "interlock-open,after=5min,for=1200ms")
    assert soak.code == 4
    words = r"interlock cover: the protective cover is open \(after 4 min 5\d s of the soak\)"
    assert soak.verdict[0] == "stand fault"
    assert re.fullmatch(words, soak.verdict[1])
    off = next(e for e in soak.of_kind("event") if e["what"] == "safe state" and e["t"] >= 300)
    assert off["t"] - 300.0 <= 1.0
    assert off["text"] == "verified"
    folder = tmp_path / "run"
    shutil.copytree(soak.folder, folder)
    refused = resume(folder)
    assert refused.code == 2
    assert f"hilseq resume {folder} --acknowledge" in refused.out + refused.err
    went_on = resume(folder, "--acknowledge")
    assert went_on.verdict == ("passed", "")
    assert len(went_on.samples.times) >= 600


@pytest.mark.parametrize("defect", ["broken-wire@q06", "supply-readback-drifts"])
def test_readings_that_contradict_each_other_for_a_while_end_no_soak(defect: str, soaked: Soaked) -> None:
    """A loose wire or a supply that reads wrong for some seconds: gaps, made up for, and nobody is blamed."""
    soak = soaked("8min", "--defect", f"{defect},after=5min,for=10s")
    assert soak.verdict == ("passed", "")
    gaps = soak.of_kind("soak gap")
    assert 1 <= len(gaps) <= 4
    assert {gap["what"] for gap in gaps} == {"instrument lost"}
    assert soak.of_kind("soak event") == []


@pytest.mark.parametrize(
    "defect",
    [
        "supply-readback-drifts,after=5min",
        "broken-wire@v05,after=5min",
    ],
)
def test_a_stand_that_lies_is_not_believed(defect: str, soaked: Soaked) -> None:
    """Readings that contradict each other are the stand's fault: nothing is said of the unit."""
    soak = soaked("10min", "--defect", defect)
    assert soak.verdict[0] == "stand fault"
    assert soak.code == 4
    assert soak.of_kind("soak event") == []


def test_a_fault_stored_over_a_planned_cycle_is_an_event(soaked: Soaked) -> None:
    """The unit forgets its configuration without supply and stores a fault at the start: nobody may ship it."""
    soak = soaked(
        "20min",
        "--defect",
        "battery-open,after=6min",
        profile=(("cycles: {every: 12 h, off: 30 s}", "cycles: {every: 5 min, off: 30 s}"),),
    )
    assert soak.verdict[0] == "failed"
    events = soak.of_kind("soak event")
    assert events[0]["what"].startswith("fault 0x")
    assert events[0]["since"] == pytest.approx(640.0, abs=30.0)
    assert [gap["planned"] for gap in soak.of_kind("soak gap")][:2] == [True, False]


#: Cycles that fill the fault table of a unit that logs them.
_MANY_CYCLES = ("cycles: {every: 12 h, off: 30 s}", "cycles: {every: 30 s, off: 5 s}")


def test_a_log_of_power_ups_is_no_event(soaked: Soaked) -> None:
    """Twice as many starts as the table has records: each is seen and kept, and nobody is blamed."""
    soak = soaked("15min", profile=(LOGGED, _MANY_CYCLES))
    cycles = len(soak.of_kind("soak gap"))
    assert cycles > 20
    kept = [entry["entries"] for entry in soak.of_kind("faults") if entry["when"] == "routine entries"]
    assert len({fault["time"] for table in kept for fault in table}) == cycles
    assert soak.verdict == ("passed", "")
    assert soak.of_kind("soak event") == []


def test_a_routine_entry_between_two_samples_is_kept_and_no_event(soaked: Soaked) -> None:
    """The counter of faults moves, the table says why, and nobody is blamed."""
    soak = soaked("12min", "--defect", "fault-returns,code=0x05,after=390s", profile=(LOGGED,))
    assert soak.verdict == ("passed", "")
    assert soak.of_kind("soak event") == []
    (kept,) = [entry for entry in soak.of_kind("faults") if entry["when"] == "routine entries"]
    assert [fault["code"] for fault in kept["entries"]] == [5]
    assert "0x05 (5) routine" in soak.page


def test_a_fault_among_routine_entries_is_an_event(soaked: Soaked) -> None:
    """What comes back beside the log of power-ups counts, and only that is reported."""
    soak = soaked("12min", "--defect", "fault-returns,code=0x42,after=390s", profile=(LOGGED, _MANY_CYCLES))
    assert soak.verdict[0] == "failed"
    events = soak.of_kind("soak event")
    assert {event["what"] for event in events} == {"fault 0x42"}
    assert events[0]["since"] == pytest.approx(390.0, abs=30.0)


@pytest.mark.parametrize(("code", "verdict"), [("0x42", "failed"), ("0x05", "passed")])
def test_a_table_without_counter_and_clearing_is_looked_at(code: str, verdict: str, soaked: Soaked) -> None:
    """What came before counts as known, what comes is found within a minute."""
    defect = f"fault-returns,code={code},after=390s"
    soak = soaked("10min", "--defect", defect, "--seed", "3", profile=(LOGGED, *BARE_TABLE))
    assert soak.verdict[0] == verdict
    assert soak.of_kind("faults")[0]["entries"], "this seed comes without a history"
    events = [(event["what"], event["since"]) for event in soak.of_kind("soak event")]
    assert [what for what, _ in events] == (["fault 0x42"] if verdict == "failed" else [])
    assert all(since == pytest.approx(390.0, abs=61.0) for _, since in events)


def test_a_unit_that_does_not_start_again_is_not_cycled_for_ever(soaked: Soaked) -> None:
    """After a planned cycle it stays dark: as many attempts as the plan allows events, then the soak ends."""
    soak = soaked(
        "20min",
        "--defect",
        "no-start,after=6min",
        profile=(("cycles: {every: 12 h, off: 30 s}", "cycles: {every: 5 min, off: 30 s}"),),
    )
    assert soak.verdict[0] == "failed"
    events = [(e["number"], e["what"], e["place"]) for e in soak.of_kind("soak event")]
    assert events == [(number, "did not start again", "start") for number in (1, 2, 3)]
    (end,) = soak.of_kind("soak ended")
    assert end["why"] == "the unit did not start again, 3 events in all"
    assert 600.0 < end["since"] < 800.0


def test_a_port_worse_than_its_claim_fails_the_soak(soaked: Soaked) -> None:
    """No frame in a row is lost, but far too many bits: the port is named, with the ratio."""
    soak = soaked("2h", "--defect", "port-bit-errors@port 1,after=10min,severity=1")
    verdict, why = soak.verdict
    assert verdict == "not performed"
    assert why.startswith("unit or harness")  # the cable of the only bad port may as well be it
    assert "where the profile claims" in why
    assert [(e["what"], e["place"]) for e in soak.of_kind("soak event")] == [("bit errors", "port 1")]


def test_bit_errors_are_dated_when_they_began(soaked: Soaked) -> None:
    """Sound for ten minutes: within one more the errors prove more than the claim, long before the soak ends."""
    soak = soaked("2h", "--defect", "port-bit-errors@port 1,after=10min,severity=1")
    (event,) = soak.of_kind("soak event")
    assert 600.0 < event["since"] <= 720.0
    sampled = soak.samples.times - soak.of_kind("soak started")[0]["zero"]
    assert min(abs(sampled - event["since"])) < 1e-6
    assert event["case"] is not None
    assert "bit errors at 1" in soak.verdict[1]
    assert f", case {event['case']:.1f} °C" in soak.verdict[1]
    assert soak.of_kind("samples sealed")[-1]["ports"]["port 1"]["beyond"] == event["since"]


def test_a_network_that_comes_back_in_parts_blames_no_unit(soaked: Soaked) -> None:
    """Its link is back 40 s after the instruments: waited for, as a switch that restarts would need."""
    lost = (
        "io-silent,after=5min,for=60s",
        "supply-silent,after=5min,for=60s",
        "link-silent,after=5min1s,for=100s",
    )
    soak = soaked("10min", *(word for defect in lost for word in ("--defect", defect)))
    assert soak.verdict == ("passed", "")
    assert soak.of_kind("soak event") == []


def test_a_network_that_goes_in_the_middle_of_a_sample_blames_no_unit(soaked: Soaked) -> None:
    """The instruments had answered, the unit's answer was still to come: four times, at four phases of a sample."""
    lost = []
    for start in (300.0, 360.25, 420.5, 480.75):
        lost += [f"link-silent,after={start}s,for=10s"]
        lost += [f"{side}-silent,after={start + 0.3}s,for=10s" for side in ("supply", "io")]
    soak = soaked("10min", *(word for defect in lost for word in ("--defect", defect)))
    assert soak.of_kind("soak event") == []
    assert soak.verdict == ("passed", "")
    assert [gap["what"] for gap in soak.of_kind("soak gap")] == ["instrument lost"] * 4


def test_an_interlock_that_opens_while_the_unit_starts(soaked: Soaked) -> None:
    """A cycle takes the samples away, not the watch: off within a period of the cover opening."""
    soak = soaked(
        "10min",
        "--defect",
        "interlock-open@cover,after=337s",
        "--defect",
        "no-start,after=200s",
        profile=(("cycles: {every: 12 h, off: 30 s}", "cycles: {every: 5 min, off: 30 s}"),),
    )
    assert soak.verdict[0] == "stand fault"
    on = next(e["t"] for e in soak.of_kind("event") if e["what"] == "supply on" and e["t"] > 300)
    off = next(e["t"] for e in soak.of_kind("event") if e["what"] == "safe state" and e["t"] > on)
    assert on < 337.0
    assert off - 337.0 <= 1.0


REFUSES = """
import pytest

from tests.soak.conftest import SOAK, command, finished

from hilseq.errors import InstrumentTimeout
from hilseq.procedures.soak.traffic import Traffic

pytestmark = [pytest.mark.stage("soak"), pytest.mark.timeout(0)]


def test_it(ready_unit, soak, monkeypatch):
    def send(self):
        raise InstrumentTimeout("port 1: the serial server refuses", place="port 1")

    monkeypatch.setattr(Traffic, "send", send)
    soak()
"""


def test_a_stand_that_fails_again_and_again_ends_the_soak(tmp_path: Path) -> None:
    """Each time all instruments tell who they are, and the next frame fails: a few restarts, then a word."""
    sequence, folder = tmp_path / "test_95_soak.py", tmp_path / "run"
    sequence.write_text(REFUSES, encoding="utf-8")
    line = command(folder, "--soak-duration", "20min")
    soak = finished([str(sequence) if word == str(SOAK) else word for word in line], folder)
    verdict, why = soak.verdict
    assert verdict == "stand fault"
    assert "it came back and failed again 5 times in a row" in why
    gaps = soak.of_kind("soak gap")
    spans = [(gap["start"], gap["end"]) for gap in gaps]
    assert len(spans) == 5
    assert all(first[1] <= second[0] for first, second in pairwise(spans)), "lost time is made up for once"
    assert gaps[-1]["until"] == pytest.approx(1200.0 + sum(b - a for a, b in spans), abs=0.01)


def test_a_soak_without_an_end_lasted_to_its_last_sample(soaked: Soaked) -> None:
    """What was not sampled is not reported as stayed."""
    soak = soaked("1h", "--defect", "io-silent,after=20min")
    assert soak.verdict[0] == "stand fault"
    assert re.search(r"stayed live for (19 min 5\d s|20 min) ", soak.page)


def _began(soak: Any) -> float:
    (started,) = soak.of_kind("soak started")
    return float(started["zero"])


def test_a_supply_without_mains_is_never_the_units_low_current(soaked: Soaked) -> None:
    """The voltage stands at the unit's capacitor while the current is gone already: the supply is asked first."""
    began = _began(soaked("20min"))
    soak = soaked("6min", "--defect", f"supply-resets@main,after={began + 200.0:.6f}s,for=100s")
    assert soak.of_kind("soak event") == []
    assert soak.verdict == ("passed", "")
    assert [gap["what"] for gap in soak.of_kind("soak gap")] == ["instrument lost"] * 2


def test_a_current_that_no_load_of_the_profile_draws_is_an_event(soaked: Soaked) -> None:
    """Without limits in the plan the highest is what the profile claims with every output on."""
    soak = soaked("10min", "--defect", "live-current-high,after=5min")
    (event,) = soak.of_kind("soak event")
    assert event["what"] == "current outside its limits"
    verdict, why = soak.verdict
    assert verdict == "not performed"
    assert why.startswith("unit or harness")  # the little beyond the limit may as well leak across the feeder


def _highest_current(soak: Any) -> Any:
    (reading,) = [e for e in soak.of_kind("reading") if e["name"] == "highest current"]
    return reading


def test_the_extremes_of_a_soak_are_accepted_as_every_reading(soaked: Soaked) -> None:
    """Inside by less than U, or outside by less, the unit is incomplete with what it takes; surely outside: an event.

    Guarded acceptance with w = U and its non-binary statement (ILAC-G8:09/2019 clause 4.2, from memory).
    """
    good = _highest_current(soaked("4min"))
    assert (good["verdict"], good["uncertainty"] > 0.0) == ("conforms", True)
    value, known = good["value"], good["uncertainty"]
    for limit, wanted, events in (
        (value + 0.5 * known, "not performed", 0),
        (value - 0.5 * known, "not performed", 0),
        (value - 2.0 * known, "not performed", 1),  # so little may as well leak across the feeder
    ):
        plan = f"  mode: live\n  current: 50..{1e3 * limit:.4f} mA"
        soak = soaked("4min", profile=(("  mode: live", plan),))
        verdict, why = soak.verdict
        assert verdict == wanted
        assert bool(soak.of_kind("soak event")) is bool(events)
        assert ("highest current is" in why and "it takes" in why) is not bool(events)


def test_a_reset_blames_no_output_for_what_it_forgot(soaked: Soaked) -> None:
    """The unit comes back live with its commands cleared: it is commanded anew, and only the reset is reported."""
    soak = soaked("10min", "--defect", "processor-resets,after=5min10s,for=2s")
    whats = {event["what"] for event in soak.of_kind("soak event")}
    assert "reset" in whats
    assert "output does not follow" not in whats
    times, seen = soak.samples.times, soak.samples.column("q02")
    on = seen[(times > 330.0 + _began(soak)) & (times < 355.0 + _began(soak))]
    assert len(set(seen)) == 2
    assert len(set(on)) == 1


def test_a_stand_fault_that_ends_a_soak_says_when_and_what_came_before(soaked: Soaked) -> None:
    """The unit's event stays in the answer, and the samples are sealed to the last."""
    began = _began(soaked("20min"))
    defects = (
        f"output-stuck-off@q03,after={began + 120.0:.6f}s",
        f"broken-wire@q05,after={began + 250.0:.6f}s",
    )
    soak = soaked("10min", *(word for defect in defects for word in ("--defect", defect)))
    verdict, why = soak.verdict
    assert verdict == "stand fault"
    assert re.search(
        r"\(after [34] min [^)]*of the soak; before that the unit: output does not follow at", why
    )
    assert soak.of_kind("samples sealed")[-1]["count"] == len(soak.samples.times)
    assert "The soak did not finish; its record ends after" in soak.page


def test_each_place_is_reported_with_its_own_sign(soaked: Soaked) -> None:
    """Two outputs that fail at different times: each finding says what and when at its own place."""
    options = ("--defect", "output-stuck-off@q02,after=3min", "--defect", "output-stuck-on@q05,after=6min")
    soak = soaked("10min", *options)
    summary = json.loads((soak.folder / "summary.json").read_text(encoding="utf-8"))
    reported = {finding["place"]: finding["what"] for finding in summary["units"][0]["findings"]}
    assert set(reported) >= {"q02", "q05"}
    for place in ("q02", "q05"):
        assert f"{place} is commanded" in reported[place]
    assert reported["q02"].partition(", case")[0] != reported["q05"].partition(", case")[0]
