"""A run as server-sent events. An event's id says up to where the reader has everything.

One event is `news`: the parts of what is reported that changed, and what the plots lack. After a reconnect the
browser gives the last id back, and the stream continues there: from the next line, the next sample, and the
bucket that the last sample fell into. An id of another journal, or none, gets everything.
"""

from __future__ import annotations

import asyncio
import json
import math
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from starlette.concurrency import run_in_threadpool

from hilseq.journal.soak_entries import SoakColumn
from hilseq.live.follower import Follower, Found, RunsFolder
from hilseq.live.run_presenter import Plain, ValueFormat, as_json, label_of, run_reported, shown
from hilseq.live.soaking import RECENT, SampledSoak, SampleWindow
from hilseq.reports.formatting import DisplayScale
from hilseq.reports.soak_plots import letter

#: The browser tries again after so long, ms.
RETRY = 2000
#: A heartbeat is sent at least every so many looks.
_QUIET_LOOKS = 5
_LONGEST_ID = 4096


@dataclass(frozen=True, slots=True)
class Position:
    """Up to where a reader has everything: which journal, and of each slot the last time and the scales."""

    mark: str = ""
    slots: dict[str, tuple[float, str]] = field(default_factory=dict)

    def __str__(self) -> str:
        """Return the id of an event."""
        return as_json([self.mark, {slot: list(place) for slot, place in self.slots.items()}])


def position_of(text: str | None) -> Position:
    """Return the position of an event's id; the very beginning for what is none."""
    if not text or len(text) > _LONGEST_ID:
        return Position()
    try:
        mark, slots = json.loads(text)
        places = {
            str(slot): (float(time), str(shape))
            for slot, (time, shape) in slots.items()
            if math.isfinite(time)
        }
    except (ValueError, TypeError, AttributeError, RecursionError, OverflowError):
        return Position()
    return Position(str(mark), places)


@dataclass(frozen=True, slots=True)
class News:
    """What a reader at some position lacks."""

    position: Position
    reported: Plain
    plots: dict[str, Plain]
    age: float


def news(found: Found, follower: Follower, after: Position) -> News:
    """Return what a reader at that position lacks; to be called inside the follower's `look`."""
    known = after.slots if after.mark and after.mark == follower.mark else {}
    plots: dict[str, Plain] = {}
    places: dict[str, tuple[float, str]] = {}
    for slot, soak in follower.soaks.items():
        if soak.window is None or not soak.window.count:
            continue
        scales = [_scale(soak.window, n, one) for n, one in enumerate(soak.plotted)]
        shape = f"{soak.window.width:g} {' '.join(scale.unit for scale in scales)}"
        last, drawn = known.get(slot, (-1.0, ""))
        fresh = drawn != shape or last > soak.lasted
        places[slot] = (soak.lasted, shape)
        if fresh or last < soak.lasted:
            plots[slot] = _plot(soak, soak.window, scales, -1.0 if fresh else last)
    return News(Position(follower.mark, places), run_reported(found, follower), plots, follower.liveness.age)


def _scale(rolled: SampleWindow, number: int, quantity: SoakColumn) -> DisplayScale:
    column = rolled.plotted[number]
    return ValueFormat(quantity, float(rolled.least[column]), float(rolled.greatest[column])).scale


def _numbers(values: Any, factor: float = 1.0) -> list[float | None]:
    """Return numbers as JSON holds them: six digits, null for what is none."""
    scaled = np.asarray(values, dtype=np.float64) * factor
    return [float(f"{value:.6g}") if math.isfinite(value) else None for value in scaled.tolist()]


def _plot(soak: SampledSoak, rolled: SampleWindow, scales: list[DisplayScale], last: float) -> Plain:
    """Return what the plots of a reader lack that has everything up to `last`; of one with -1, all."""
    fresh = last < 0
    first = 0 if fresh else min(int(last / rolled.width), rolled.used)
    new = rolled.recent_times > last
    kept = next(
        (n for n, stretch in enumerate(rolled.stretches) if stretch.end >= last), len(rolled.stretches)
    )
    quantities = soak.plotted
    plot: Plain = {
        "fresh": fresh,
        "width": rolled.width,
        "first": first,
        "buckets": [
            [_numbers(part, scale.factor) for part in buckets]
            for buckets, scale in zip(rolled.buckets(first), scales, strict=True)
        ],
        "recent": [
            [round(time, 3) for time in rolled.recent_times[new].tolist()],
            *(_numbers(rolled.recent[new, n], scale.factor) for n, scale in enumerate(scales)),
        ],
        "keep": RECENT,
        "end": soak.lasted,
        # Stretches are only ever added at the end, so that a reader's tail can be replaced by time.
        "modes_from": rolled.stretches[kept].start if kept < len(rolled.stretches) else soak.lasted,
        "modes": [
            [round(one.start, 3), round(one.end, 3), soak.mode_name(one.number)]
            for one in rolled.stretches[kept:]
        ],
        "gaps": [[gap.start, gap.end, gap.what] for gap in soak.state.gaps[-200:]],
        "events": [
            [event.since, event.what, letter(number)] for number, event in enumerate(soak.state.events)
        ][-200:],
    }
    if fresh:
        plot["series"] = [
            {
                "name": label_of(quantity),
                "unit": scale.unit,
                "low": None if quantity.low is None else quantity.low * scale.factor,
                "high": None if quantity.high is None else quantity.high * scale.factor,
            }
            for quantity, scale in zip(quantities, scales, strict=True)
        ]
    result: Plain = shown(plot)
    return result


def event(name: str, data: Any, position: object = None) -> str:
    """Return one server-sent event."""
    mark = "" if position is None else f"id: {position}\n"
    return f"{mark}event: {name}\ndata: {as_json(data)}\n\n"


async def follow(
    found: Found, follower: Follower, after: Position, every: float, closing: Callable[[], bool]
) -> AsyncIterator[str]:
    """Send what the run does until the reader goes away or the server ends."""
    yield f"retry: {RETRY}\n\n"
    sent: dict[str, str] = {}
    quiet = 0
    while not closing():
        position = after
        reported = await run_in_threadpool(follower.look, lambda one: news(found, one, position))  # noqa: B023
        changed = {}
        for name, part in reported.reported.items():
            text = as_json(part)
            if sent.get(name) != text:
                sent[name] = text
                changed[name] = part
        if changed or reported.plots:
            quiet = 0
            age = round(reported.age, 1) if math.isfinite(reported.age) else None
            yield event("news", {"reported": changed, "plots": reported.plots, "age": age}, reported.position)
        else:
            quiet += 1
            if quiet % _QUIET_LOOKS == 0:
                yield event("alive", {"age": round(reported.age, 1) if math.isfinite(reported.age) else None})
        after = reported.position
        await asyncio.sleep(every)


def reported_of(folder: RunsFolder, found: Found) -> Plain:
    """Return what is shown of a run now; the samples of one that has ended are not read for it."""
    follower = folder.follow(found.folder)
    return follower.look(lambda one: run_reported(found, one), samples=not found.ended)


async def follow_words(
    name: str, tell: Callable[[], Plain | None], every: float, closing: Callable[[], bool]
) -> AsyncIterator[str]:
    """Send what is reported, whenever it changes, until the reader goes away or the server ends."""
    yield f"retry: {RETRY}\n\n"
    sent, quiet = "", 0
    while not closing():
        reported = await run_in_threadpool(tell)
        text = as_json(reported)
        quiet += 1
        if text != sent:
            sent, quiet = text, 0
            yield event(name, reported)
        elif quiet % _QUIET_LOOKS == 0:
            yield event("alive", {})
        await asyncio.sleep(max(every, 1.0))


def runs_now(folder: RunsFolder) -> Plain:
    """Return the active runs, and how many there are of either sort."""
    listed = folder.runs()
    return {
        "running": [reported_of(folder, found) | {"events": []} for found in folder.going_on()],
        "ended": sum(found.ended for found in listed),
        "all": len(listed),
    }
