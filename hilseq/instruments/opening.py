"""How the instruments of a stand are opened: here, by their drivers; or by somebody who has them open already."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, Protocol, TypeVar, cast

from hilseq.description.drivers import find_driver
from hilseq.description.stand import Stand, Supply
from hilseq.errors import HilseqError, StandFault
from hilseq.instruments.protocols import Channels, SupplyOutput

_Opened = TypeVar("_Opened")


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
        for name in {supply.driver for supply in described.values()}:
            mine = {one: at for one, at in described.items() if at.driver == name}
            opened = find_driver("supply", name).open(mine)
            outputs |= {one: fence_driver(opened[one], name, f"supply {one}") for one in mine}
        return outputs

    def channels(self, stand: Stand, name: str) -> Channels:
        """Return the channels of one `io` of a stand."""
        io = stand.io[name]
        mine = {one: at for one, at in stand.signals.items() if at.io == name}
        channels: Channels = find_driver("channels", io.driver).open(name, io, mine)
        return fence_driver(channels, io.driver, f"io {name}")


def fence_driver(opened: _Opened, driver: str, part: str) -> _Opened:
    """Return what a driver has opened: what goes wrong in somebody else's is a StandFault that names driver and part.

    Without it a slip in one driver would keep the instruments of all others on.
    """
    if type(opened).__module__.partition(".")[0] == "hilseq":
        return opened
    return cast("_Opened", _Fenced(opened, driver, part))


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
