"""Drivers of somebody else that are not whole: refused by name, before anything has power, and never by a traceback.

The distribution is a real one: a module and its entry points on the path.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from hilseq.description import drivers
from hilseq.description.drivers import DriverError, Role, find_driver
from hilseq.description.loading import load_stand
from hilseq.description.stand import Stand
from hilseq.errors import DescriptionError, StandFault
from hilseq.instruments import driver_protocols
from hilseq.instruments.opening import OwnConnections
from hilseq.lease.addresses import address_of_parts, instruments_of
from hilseq.procedures.bench import Instruments
from tests.standing_clock import StandingClock

MODULE = """
from hilseq import *
from pydantic import Field

class WholeSupply(Supply):
    card: int = 1
    def addresses(self): return (DriverAddress("card", f"card {self.card}"),)
class CardSupply(WholeSupply):
    def addresses(self): return ()
class Output(SupplyOutput):
    def __init__(self, name): self.name, self.where = f"supply {name}", "a card"
    def identify(self): return "CARD-1"
    def program(self, setting, value): pass
    def programmed(self, setting): return None
    def switch(self, *, on): pass
    def is_on(self): return False
    def measure(self): return 0.0, 0.0
    def close(self): pass
class Whole(SupplyDriver):
    description = WholeSupply
    def open(self, supplies): return {name: Output(name) for name in supplies}
class Cards(Whole):
    description = CardSupply

class Endless(Supply):
    pass
class NoEnds(Whole):
    description = Endless
class NoOpen(SupplyDriver):
    description = WholeSupply
class Bare:
    description = WholeSupply
    def open(self, supplies): return {}
class General(Whole):
    description = Supply
class NoModel(Whole):
    description = {"card": int}

class Mute(Output):
    measure = SupplyOutput.measure
class Plain:
    name = where = "plain"
class MuteDriver(Whole):
    def open(self, supplies): return {name: Mute(name) for name in supplies}
class PlainDriver(Whole):
    def open(self, supplies): return {name: Plain() for name in supplies}
class ForgetfulDriver(Whole):
    def open(self, supplies): return {}
class SlippingDriver(Whole):
    def open(self, supplies): raise KeyError("bank")

class MeterIo(Io):
    def addresses(self): return ()
class MeterSignal(Signal):
    pass
class Meter(Channels):
    def __init__(self, name): self.name, self.where, self.deadline = f"io {name}", "a card", 1.0
    def identify(self): return "METER"
    def snapshot(self, names=None): return {}
    def write_many(self, values): pass
    def forgotten(self, names): return []
    def close(self): pass
class Meters(ChannelsDriver):
    description, signal = MeterIo, MeterSignal
    def open(self, name, io, signals): return Meter(name)
"""
SUPPLIES = {
    "whole": "Whole",
    "cards": "Cards",
    "no-ends": "NoEnds",
    "no-open": "NoOpen",
    "bare": "Bare",
    "general": "General",
    "no-model": "NoModel",
    "mute": "MuteDriver",
    "plain": "PlainDriver",
    "forgetful": "ForgetfulDriver",
    "slipping": "SlippingDriver",
}


@pytest.fixture(scope="module", autouse=True)
def _installed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    folder = tmp_path_factory.mktemp("site")
    (folder / "unfinished.py").write_text(MODULE, encoding="utf-8")
    info = folder / "unfinished-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(
        "Metadata-Version: 2.1\nName: unfinished\nVersion: 1.0\n", encoding="utf-8"
    )
    entries = "".join(f"{name} = unfinished:{found}\n" for name, found in SUPPLIES.items())
    (info / "entry_points.txt").write_text(
        f"[hilseq.supplies]\n{entries}[hilseq.channels]\nmeters = unfinished:Meters\n", encoding="utf-8"
    )
    _forget()
    sys.path.insert(0, str(folder))
    yield
    sys.path.remove(str(folder))
    sys.modules.pop("unfinished", None)
    _forget()


def _forget() -> None:
    importlib.invalidate_caches()
    drivers.installed.cache_clear()
    find_driver.cache_clear()


def _stand(driver: str, *, cards: tuple[int, ...] = (1,), metered: bool = False) -> Stand:
    return Stand.model_validate(
        {
            "stand": "odd",
            "supplies": {
                f"s{number}": {
                    "driver": driver,
                    "card": card,
                    "ceilings": {"voltage": "30 V", "current": "1 A"},
                }
                for number, card in enumerate(cards)
            },
            "io": {"meter": {"driver": "meters"}} if metered else {},
            "signals": {"speed": {"io": "meter"}} if metered else {},
            "slots": {"A": {"supply": "s0", "link": {"address": "127.0.0.1:1"}}},
        }
    )


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("no-ends", ["Endless", "`addresses()`", "() for what has none"]),
        ("no-open", ["abstract class NoOpen", "open"]),
        ("bare", ["lacks findings"]),
        ("general", ["Supply", "no class derived from Supply"]),
        ("no-model", ["{'card': <class 'int'>}", "no class derived from Supply"]),
    ],
)
def test_a_driver_that_is_not_whole_is_refused(name: str, words: list[str]) -> None:
    """By whoever reads a stand file: what is missing, in which driver of which distribution."""
    with pytest.raises(DriverError) as caught:
        find_driver("supply", name)
    reported = str(caught.value)
    assert f"the driver {name!r} of unfinished " in reported
    assert all(word in reported for word in words), reported


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("mute", ["abstract class Mute", "measure"]),
        ("plain", ["opened supply s0 as Plain, which lacks ", "close, ", "switch", "a SupplyOutput"]),
        ("forgetful", ["opened supply s0 as NoneType"]),
        ("slipping", ["cannot open supply s0 (KeyError: 'bank')"]),
    ],
)
def test_what_a_driver_opens_must_fit(name: str, words: list[str]) -> None:
    """A fault of the stand that names driver, distribution and part; nothing was sent."""
    with pytest.raises(StandFault) as caught:
        OwnConnections().outputs(_stand(name).supplies)
    reported = str(caught.value)
    assert f"the driver {name!r} of unfinished " in reported
    assert all(word in reported for word in words), reported
    assert caught.value.places == ("supply s0",)


def test_a_snapshot_that_lacks_a_signal_is_a_fault_of_the_stand() -> None:
    """It names the io, its driver, and what is missing."""
    channels = OwnConnections().channels(_stand("whole", metered=True), "meter")
    with pytest.raises(
        StandFault, match=r"io meter: `snapshot` of its driver \(unfinished.Meter\) lacks speed"
    ):
        channels.reader(("speed",)).take({})


@pytest.mark.parametrize("part", ["supply s0", "io meter"])
def test_an_identity_that_is_none_is_a_fault_of_the_stand(part: str) -> None:
    """A text where fields are expected."""
    instruments = Instruments(_stand("whole", metered=True), StandingClock(), ("A",))
    with pytest.raises(StandFault, match=rf"{part} \(a card\): its driver answered `identify` with a str"):
        instruments.identify(part)


def test_what_has_no_address_is_held_by_its_name() -> None:
    """It is locked and latched all the same; two with an address of their own are distinguished by it."""
    stand = _stand("cards", cards=(1, 2))
    assert [(one.part, one.is_local) for one in instruments_of(stand)] == [
        ("supply s0", True),
        ("supply s1", True),
    ]
    assert len({one.lock for one in instruments_of(stand)}) == 2
    assert instruments_of(stand, ["supply s1"])[0].part == "supply s1"
    assert address_of_parts(stand) == {"supply s0": "supply s0 of odd", "supply s1": "supply s1 of odd"}


@pytest.mark.parametrize(
    ("role", "protocol"),
    [
        ("supply", driver_protocols.SupplyDriver),
        ("channels", driver_protocols.ChannelsDriver),
        ("link", driver_protocols.LinkDriver),
        ("serial partner", driver_protocols.SerialPartnerDriver),
    ],
)
def test_a_driver_is_asked_for_all_of_its_protocol(role: Role, protocol: type) -> None:
    """What `find_driver` looks for is what the protocol of the role holds."""
    reported = {
        name for base in protocol.__mro__ for name in (*vars(base), *vars(base).get("__annotations__", ()))
    }
    looked_for: set[str] = {*drivers._METHODS[role], *drivers._MODELS[role]}
    assert {name for name in reported if not name.startswith("_")} - {"network"} == looked_for


@pytest.mark.parametrize("name", ["no-ends", "general"])
def test_a_stand_file_with_such_a_driver_is_refused(tmp_path: Path, name: str) -> None:
    """With file, line and column, and nothing but that is reported."""
    path = tmp_path / "stand.yaml"
    path.write_text(
        f"stand: odd\nsupplies:\n  main:\n    driver: {name}\n    ceilings: {{voltage: 30 V, current: 1 A}}\n"
        "slots:\n  A: {supply: main, link: {address: '127.0.0.1:1'}}\n",
        encoding="utf-8",
    )
    with pytest.raises(DescriptionError) as caught:
        load_stand(path)
    (problem,) = caught.value.problems
    assert str(problem).startswith(f"{path}:4:13: the driver {name!r} of unfinished ")
