"""How the instruments of a stand are opened: here, by their drivers; or by somebody who has them open already.

What somebody else's driver returns is looked at before it is used: what does not fit is a fault of the stand that
names driver, distribution and part.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, Protocol, TypeVar, cast

from hilseq.description.drivers import Role, brought_by, find_driver
from hilseq.description.stand import Stand
from hilseq.description.supplies import Supply
from hilseq.errors import HilseqError, StandFault
from hilseq.instruments.driver_protocols import ChannelsDriver
from hilseq.instruments.protocols import Channels, Identification, SupplyOutput

Opened = TypeVar("Opened")


class Opening(Protocol):
    """Whoever opens instruments. Nothing is sent before the first call to what was opened."""

    def outputs(self, described: Mapping[str, Supply]) -> Mapping[str, SupplyOutput]:
        """Return the outputs of supplies by name."""
        ...

    def channels(self, stand: Stand, name: str) -> Channels:
        """Return the channels of one `io` of a stand."""
        ...


class OwnConnections(Opening):
    """Each instrument by the driver that the stand file names, over a connection of this process."""

    def outputs(self, described: Mapping[str, Supply]) -> Mapping[str, SupplyOutput]:
        """Return the outputs of supplies by name; those of one instrument may share its connection."""
        outputs: dict[str, SupplyOutput] = {}
        for driver in {supply.driver for supply in described.values()}:
            mine = {one: at for one, at in described.items() if at.driver == driver}
            parts = ", ".join(f"supply {name}" for name in mine)
            opened = _attempt("supply", driver, parts, partial(_opened, driver, mine))
            for name in mine:
                outputs[name] = _fitting("supply", driver, f"supply {name}", opened.get(name), SupplyOutput)
        return outputs

    def channels(self, stand: Stand, name: str) -> Channels:
        """Return the channels of one `io` of a stand."""
        io = stand.io[name]
        mine = {one: at for one, at in stand.signals.items() if at.io == name}

        def opened(driver: ChannelsDriver) -> Channels:
            return driver.open(name, io, mine)

        return open_fitting("channels", io.driver, f"io {name}", Channels, opened)


def _opened(driver: str, described: Mapping[str, Supply]) -> dict[str, Any]:
    return dict(find_driver("supply", driver).open(described))


def open_fitting(
    role: Role, driver: str, part: str, protocol: Any, open_it: Callable[[Any], Opened]
) -> Opened:
    """Return what `open_it` opens with a driver for a part (`io rack`). Raises StandFault for what does not fit."""
    opened = _attempt(role, driver, part, lambda: open_it(find_driver(role, driver)))
    return _fitting(role, driver, part, opened, protocol)


def _attempt(role: Role, driver: str, part: str, opening: Callable[[], Opened]) -> Opened:
    try:
        return opening()
    except HilseqError:
        raise
    except Exception as error:  # whatever somebody else's driver raises
        raise StandFault(
            f"{brought_by(role, driver)} cannot open {part} ({type(error).__name__}: {error}); expected a driver "
            "that passes the tests of hilseq.testing",
            places=part.split(", "),
        ) from error


def _fitting(role: Role, driver: str, part: str, opened: Opened | None, protocol: Any) -> Opened:
    lacking = [] if opened is None else [name for name in _members(protocol) if not _has(opened, name)]
    if opened is None or lacking:
        lacks = f", which lacks {', '.join(lacking)}" if lacking else ""
        raise StandFault(
            f"{brought_by(role, driver)} opened {part} as {type(opened).__name__}{lacks}; expected a "
            f"{protocol.__name__}",
            place=part,
        )
    return fence_driver(opened, driver, part)


def _members(protocol: type) -> list[str]:
    """Return the names that a protocol asks for."""
    bases = [base for base in protocol.__mro__ if base not in (object, Protocol)]
    names = {name for base in bases for name in (*vars(base), *vars(base).get("__annotations__", ()))}
    return sorted(name for name in names if not name.startswith("_"))


def _has(thing: object, name: str) -> bool:
    """Return whether something has an attribute; a property is not asked for its value."""
    return hasattr(type(thing), name) or hasattr(thing, name)


def fence_driver(opened: Opened, driver: str, part: str) -> Opened:
    """Return what a driver has opened: what goes wrong in somebody else's is a StandFault that names driver and part.

    Without it a slip in one driver would keep the instruments of all others on.
    """
    if type(opened).__module__.partition(".")[0] == "hilseq":
        return opened
    return cast("Opened", _Fenced(opened, driver, part))


class _Fenced:
    """An object of a driver that is none of ours, and what it hands out to be read."""

    def __init__(self, opened: object, driver: str, part: str) -> None:
        self.__dict__.update(_opened=opened, _driver=driver, _part=part)

    def __getattr__(self, name: str) -> Any:
        value = self._inside(getattr, self._opened, name)
        return partial(self._call, value) if callable(value) else value

    def __setattr__(self, name: str, value: object) -> None:
        self._inside(setattr, self._opened, name, value)

    def _call(self, method: Callable[..., Any], *arguments: Any, **named: Any) -> Any:
        result = self._inside(method, *arguments, **named)
        is_read = hasattr(result, "take") or hasattr(result, "snapshot")
        return _Fenced(result, self._driver, self._part) if is_read else result

    def _inside(self, function: Callable[..., Any], *arguments: Any, **named: Any) -> Any:
        try:
            return function(*arguments, **named)
        except HilseqError:
            raise
        except Exception as error:
            raise StandFault(
                f"{self._part}: its driver {self._driver!r} failed: {type(error).__name__}: {error}",
                place=self._part,
            ) from error


def identification(one: SupplyOutput | Channels) -> Identification | None:
    """Ask an instrument what it is. Raises StandFault where its driver returns what is none."""
    seen = one.identify()
    if seen is None or isinstance(seen, Identification):
        return seen
    raise StandFault(
        f"{one.name} ({one.where}): its driver answered `identify` with a {type(seen).__name__}; expected an "
        "Identification",
        place=one.name,
    )
