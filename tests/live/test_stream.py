"""The streams: what grows is reported, once; a reader that comes back misses nothing; the server ends at once."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import pytest


def _news(events: Iterator[dict[str, Any]]) -> dict[str, Any]:
    return next(event for event in events if event["event"] == "news")


class Reader:
    """Puts the pieces of a stream together, as the page's script does."""

    def __init__(self) -> None:
        self.reported: dict[str, Any] = {}
        self.mean: list[Any] = []
        self.times: list[float] = []
        self.modes: list[list[Any]] = []
        self.fresh = 0
        self.last = ""

    def take(self, event: dict[str, Any]) -> None:
        self.last = event["id"]
        self.reported |= event["data"]["reported"]
        for plot in event["data"]["plots"].values():
            if plot["fresh"]:
                self.fresh += 1
                self.mean, self.times, self.modes = [], [], []
            self.mean[plot["first"] :] = plot["buckets"][0][1]
            self.times = (self.times + plot["recent"][0])[-plot["keep"] :]
            self.modes = [one for one in self.modes if one[0] < plot["modes_from"]] + plot["modes"]

    def until(self, events: Iterator[dict[str, Any]], count: int) -> None:
        for event in events:
            if event["event"] == "news":
                self.take(event)
            if len(self.times) >= count:
                return


def test_what_a_run_writes_is_reported_as_it_grows(served: Any, begin: Callable[..., Any]) -> None:
    story = begin()
    story.sample(10)
    reader = Reader()
    with served.listen(f"/runs/{story.folder.name}/stream") as events:
        reader.until(events, 10)
        assert reader.reported["state"]["code"] == "running"
        story.sample(5)
        reader.until(events, 15)
        assert reader.times == [float(second) for second in range(15)]
        story.event("fault 0x21", "q05", "output overloaded")
        while not reader.reported["units"][0]["soak"]["events"]:
            reader.take(_news(events))
        assert reader.reported["events"][0]["what"] == "fault 0x21"
        story.sample(3, mode=1.0)
        reader.until(events, 18)
        assert [mode for *_, mode in reader.modes] == ["live", "held"]
        story.finish("soak", "soak", "failed", "left live", ["mode live"])
        story.end(1)
        while reader.reported["state"]["code"] == "running":
            reader.take(_news(events))
    assert reader.reported["units"][0]["disposition"]["word"] == "repair"
    assert reader.reported["units"][0]["findings"] == [{"place": "mode live", "what": "left live"}]


def test_an_event_id_takes_the_stream_up_where_it_broke(served: Any, begin: Callable[..., Any]) -> None:
    """Nothing is missing, nothing comes twice, and only what is new is sent."""
    story = begin()
    story.sample(10)
    path = f"/runs/{story.folder.name}/stream"
    reader = Reader()
    with served.listen(path) as events:
        reader.until(events, 10)
    story.sample(7)
    with served.listen(path, reader.last) as events:
        news = next(event for event in events if event["event"] == "news" and event["data"]["plots"])
    assert not news["data"]["plots"]["A"]["fresh"]
    assert news["data"]["plots"]["A"]["recent"][0] == [float(second) for second in range(10, 17)]
    reader.take(news)
    assert reader.times == [float(second) for second in range(17)]
    assert len(reader.mean) == 17
    assert reader.modes == [[0.0, 16.0, "live"]]


def test_the_stream_goes_on_after_the_server_was_restarted(
    serve: Callable[..., Any], begin: Callable[..., Any]
) -> None:
    story = begin()
    story.sample(10)
    path = f"/runs/{story.folder.name}/stream"
    first = serve()
    reader = Reader()
    with first.served.listen(path) as events:
        reader.until(events, 10)
        assert first.stop() < 5
        assert list(events) == []
    story.sample(4)
    with serve(port=first.served.port).served.listen(path, reader.last) as events:
        reader.until(events, 14)
    assert reader.fresh == 1
    assert reader.times == [float(second) for second in range(14)]


@pytest.mark.parametrize(
    "last",
    [
        "x",
        "[]",
        "{}",
        '["",{}]',
        '["0000",{"A":[5,"x"]}]',
        '["",{"A":[1e999,"x"]}]',
        '["",{"A":["1","x"]}]',
        "[" * 3000,
        "9" * 5000,
        '[null,{"A":null}]',
    ],
)
def test_an_id_that_is_none_gets_everything(served: Any, begin: Callable[..., Any], last: str) -> None:
    story = begin()
    story.sample(5)
    with served.listen(f"/runs/{story.folder.name}/stream", last) as events:
        plot = _news(events)["data"]["plots"]["A"]
    assert plot["fresh"]
    assert len(plot["recent"][0]) == 5


def test_another_run_of_the_same_name_is_distinguished_from_the_beginning(
    served: Any, begin: Callable[..., Any], runs: Path
) -> None:
    """A reader of a folder that was replaced is not left with the curves of the old run."""
    story = begin()
    story.sample(10)
    reader = Reader()
    with served.listen(f"/runs/{story.folder.name}/stream") as events:
        reader.until(events, 10)
        story.kill()
        story.folder.rename(runs.parent / "away")
        again = begin(serial="RH-0002")
        again.sample(3)
        while reader.fresh < 2:
            reader.take(_news(events))
    assert reader.reported["units"][0]["serial"] == "RH-0002"
    assert reader.times == [0.0, 1.0, 2.0]


def test_a_torn_sample_waits_until_it_is_whole(served: Any, begin: Callable[..., Any]) -> None:
    story = begin()
    story.sample(5)
    path = story.folder / "samples-A.bin"
    story.sample(1)
    whole = path.read_bytes()
    path.write_bytes(whole[:-7])
    reader = Reader()
    with served.listen(f"/runs/{story.folder.name}/stream") as events:
        reader.until(events, 5)
        assert len(reader.times) == 5
        path.write_bytes(whole)
        reader.until(events, 6)
    assert len(reader.times) == 6


def test_a_damaged_sample_ends_what_is_drawn_and_is_reported(served: Any, begin: Callable[..., Any]) -> None:
    story = begin()
    story.sample(9)
    path = story.folder / "samples-A.bin"
    data = bytearray(path.read_bytes())
    data[-20] ^= 1
    path.write_bytes(data)
    with served.listen(f"/runs/{story.folder.name}/stream") as events:
        news = _news(events)["data"]
    assert len(news["plots"]["A"]["recent"][0]) == 8
    assert "something that is no sample" in news["reported"]["units"][0]["soak"]["reported"]


def test_looking_does_not_touch_the_run(served: Any, begin: Callable[..., Any]) -> None:
    """Contents, dates and locks of the files are as without anybody looking."""
    story = begin()
    story.sample(20)
    before = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in story.folder.iterdir()}
    with served.listen(f"/runs/{story.folder.name}/stream") as events:
        list(islice(events, 2))
    served.ask(f"/runs/{story.folder.name}")
    assert {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in story.folder.iterdir()} == before
    story.sample(1)
    story.event("x", "y", "z")


def test_the_list_tells_how_far_runs_are_and_when_one_ended(served: Any, begin: Callable[..., Any]) -> None:
    story = begin()
    story.sample(3)
    with served.listen("/stream") as events:
        reported = next(event for event in events if event["event"] == "runs")["data"]
        assert [one["units"][0]["serial"] for one in reported["running"]] == ["RH-0001"]
        story.end()
        while reported["running"] or not reported["ended"]:
            reported = next(event for event in events if event["event"] == "runs")["data"]
    assert (reported["ended"], reported["all"]) == (1, 1)


def test_the_server_ends_at_once_with_streams_open(
    serve: Callable[..., Any], begin: Callable[..., Any]
) -> None:
    story = begin()
    story.sample(1)
    server = serve()
    with server.served.listen(f"/runs/{story.folder.name}/stream") as events:
        _news(events)
        assert server.stop() < 3


def test_a_soak_of_three_days_comes_whole_and_small(served: Any, begin: Callable[..., Any]) -> None:
    """Least and greatest values survive: a single spike of one second in 72 h is in the band."""
    story = begin()
    for second in range(0, 259_200, 60):
        values = [24.0, 9.9 if second == 43_200 else 0.2, 2.0, 0.0, 40.0, 0.0]
        story.samples.append(story.zero + second, values)
    story.samples.sync()
    with served.listen(f"/runs/{story.folder.name}/stream") as events:
        news = _news(events)
    assert len(json.dumps(news)) < 300_000
    plot = news["data"]["plots"]["A"]
    low, mean, high = plot["buckets"][1]
    assert len(mean) <= 1440
    assert max(value for value in high if value is not None) == 9.9
    assert min(value for value in low if value is not None) == 0.2
