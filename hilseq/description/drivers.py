"""Drivers by name: what a stand file calls `driver: NAME` is an entry point of an installed distribution.

One group of entry points a role; a name is resolved when it is first used, and only the hit is imported. Two
distributions with one name are refused with both named. Knows no driver: those that ship are registered as
those of others are.
"""

from __future__ import annotations

import importlib.metadata
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from typing import TYPE_CHECKING, Any, ClassVar, Literal, NamedTuple, Protocol, Self

from pydantic import ModelWrapValidatorHandler, ValidationError, model_validator
from pydantic_core import InitErrorDetails

from hilseq.description.fields import Model, Text
from hilseq.description.findings import nearest_word

if TYPE_CHECKING:
    from hilseq.description.findings import Finding
    from hilseq.description.profile import Profile
    from hilseq.description.stand import Stand


Role = Literal["supply", "channels", "link", "serial partner"]
#: Role -> group of entry points.
GROUPS: Mapping[Role, str] = {
    "supply": "hilseq.supplies",
    "channels": "hilseq.channels",
    "link": "hilseq.links",
    "serial partner": "hilseq.serial_partners",
}


class DriverError(ValueError):
    """A driver that cannot be used; says why, and after `; expected ` what would do."""


class Driver(Protocol):
    """What every driver tells of itself. An entry point names a class; it is made without arguments."""

    #: What the entry of the stand file holds that names this driver, such as `supplies.NAME`.
    description: type[DriverModel]

    def findings(self, stand: Stand) -> Iterable[Finding]:  # noqa: ARG002 - for drivers that have no checks
        """Return what is wrong between the entries of a stand file that this driver serves.

        Called once for each stand file that uses the driver, before anything is powered.
        """
        return ()


class DescribedLink(Driver, Protocol):
    """What a driver of links tells besides: whether link and unit fit."""

    def visit_findings(self, stand: Stand, slot: str, profile: Profile) -> Iterable[Finding]:  # noqa: ARG002
        """Return what is wrong between the link of a slot and the unit that is to sit there."""
        return ()


class DescribedChannels(Driver, Protocol):
    """What a driver of channels tells besides: how one of its signals is described."""

    signal: type[DriverModel]


@cache
def installed(role: Role) -> dict[str, list[importlib.metadata.EntryPoint]]:
    """Return the drivers of a role that are installed, by name, imported or not."""
    found: dict[str, list[importlib.metadata.EntryPoint]] = {}
    for entry in importlib.metadata.entry_points(group=GROUPS[role]):
        others = found.setdefault(entry.name, [])
        if all(_origin(entry) != _origin(other) for other in others):
            others.append(entry)
    return found


def _origin(entry: importlib.metadata.EntryPoint) -> tuple[str, str]:
    return (entry.dist.name if entry.dist is not None else "", entry.value)


@cache
def find_driver(role: Role, name: str) -> Any:
    """Return the driver of a name. Raises DriverError: unknown, twice there, or not to be loaded."""
    known = installed(role)
    entries = known.get(name, [])
    if not entries:
        near = nearest_word(name, known)
        raise DriverError(
            f"no driver {name!r} for the role {role} is installed; expected one of {', '.join(sorted(known))}, or "
            "an installation of the package that brings it" + (f" (did you mean {near!r}?)" if near else "")
            if known
            else f"no driver for the role {role} is installed, not even hilseq's own; expected an installation "
            "that is up to date (pip install)"
        )
    if len(entries) > 1:
        owners = " and ".join(sorted(_origin(entry)[0] for entry in entries))
        raise DriverError(f"{owners} both bring a driver {name!r}; expected only one of them installed")
    (entry,) = entries
    try:
        driver = entry.load()()
    except Exception as error:  # whatever somebody else's module raises while it is imported
        raise DriverError(
            f"the driver {name!r} of {_origin(entry)[0]} cannot be loaded ({type(error).__name__}: {error}); "
            "expected one that can be loaded"
        ) from error
    wrong = list(_shortcomings(role, driver))
    if wrong:
        raise DriverError(
            f"the driver {name!r} of {_origin(entry)[0]} {'; '.join(wrong)}; expected a complete driver for the "
            f"role {role}"
        )
    return driver


def brought_by(role: Role, name: str) -> str:
    """Return a driver and whose it is, for messages: `the driver 'tagged' of my-extras`."""
    owners = sorted({_origin(entry)[0] for entry in installed(role).get(name, [])})
    return f"the driver {name!r}" + (f" of {' and '.join(owners)}" if owners else "")


#: Role -> what a driver of it has: methods, and models of what stands in the stand file.
_METHODS: Mapping[Role, tuple[str, ...]] = {
    "supply": ("findings", "open"),
    "channels": ("findings", "open"),
    "link": ("findings", "visit_findings", "open"),
    "serial partner": ("open",),
}
_MODELS: Mapping[Role, Mapping[str, str]] = {
    "supply": {"description": "Supply"},
    "channels": {"description": "Io", "signal": "Signal"},
    "link": {"description": "Link"},
    "serial partner": {},
}


def _shortcomings(role: Role, driver: Any) -> Iterator[str]:
    """Say what a driver object lacks of its role."""
    lacking = [name for name in _METHODS[role] if not callable(getattr(driver, name, None))]
    lacking += [name for name in _MODELS[role] if not hasattr(driver, name)]
    lacking += ["network"] if role == "serial partner" and not hasattr(driver, "network") else []
    if lacking:
        yield f"lacks {', '.join(lacking)}"
    for part, base in _MODELS[role].items():
        model = getattr(driver, part, None)
        if model is None:
            continue
        if not (isinstance(model, type) and issubclass(model, DriverModel) and model.is_model_of(role, part)):
            yield f"has {model!r} as its `{part}`, which is no class derived from {base}"
        elif issubclass(model, AddressedModel) and model.addresses is AddressedModel.addresses:
            yield (
                f"does not say in {model.__name__} what `addresses()` returns: the addresses where it is reached, and "
                "is held and kept off; () for what has none"
            )


class DriverAddress(NamedTuple):
    """An address at which something is reached: the key it stands under, its text, and which part is meant.

    `protocol` is what a HOST:PORT is of where it is not TCP, such as `udp`: each has ports of its own.
    """

    key: str
    text: str
    part: str = ""
    protocol: str = ""


class DriverModel(Model):
    """A mapping whose keys depend on its `driver`: read as the driver's own model, a class derived from this.

    The classes directly below name the `role`, which `part` of a driver of that role is their model, and the
    driver where none is named.
    """

    role: ClassVar[Role]
    part: ClassVar[str]

    driver: Text

    @classmethod
    def is_open(cls) -> bool:
        """Return whether this is the general class, and its driver decides which keys there are."""
        return "role" in cls.__dict__

    @classmethod
    def is_model_of(cls, role: Role, part: str) -> bool:
        """Return whether this is a driver's own class for such a part of such a role."""
        mine = (getattr(cls, "role", None), getattr(cls, "part", None))
        return mine == (role, part) and not cls.is_open()

    @classmethod
    def model_for(cls, data: Any) -> type[Self]:
        """Return the driver's own class for a mapping. Raises DriverError."""
        if not cls.is_open():
            return cls
        usual = cls.model_fields["driver"].default
        named = data.get("driver", usual) if isinstance(data, Mapping) else usual
        name = named if isinstance(named, str) else usual
        own: type[Self] = getattr(find_driver(cls.role, name), cls.part)
        return own

    @model_validator(mode="wrap")
    @classmethod
    def _read_by_its_driver(cls, data: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        if not cls.is_open() or not isinstance(data, Mapping):
            return handler(data)
        try:
            own = cls.model_for(data)
        except DriverError as error:
            refused = InitErrorDetails(
                type="value_error", loc=("driver",), input=data.get("driver"), ctx={"error": error}
            )
            raise ValidationError.from_exception_data(cls.__name__, [refused]) from error
        return own.model_validate(data)


class AddressedModel(DriverModel):
    """What a driver reaches at addresses: by them it is held for one user, and kept off by `hilseq safe`."""

    def addresses(self) -> tuple[DriverAddress, ...]:
        """Return the addresses it is reached at: each is unique on a stand, and lies in its network.

        `()` for what has none, such as a card in this computer: it is held by its name on its stand. Each driver
        says so itself; nothing is known of an entry whose driver cannot be had.
        """
        return ()

    @property
    def where(self) -> str:
        """Where it is reached, in one word, for messages and the set-up sheet."""
        return ", ".join(end.text for end in self.addresses())


def findings_of_drivers(stand: Stand) -> list[Finding]:
    """Return what the drivers that a stand file names find wrong in it, each once."""
    used: set[tuple[Role, str]] = {("supply", one.driver) for one in stand.supplies.values()}
    used |= {("channels", one.driver) for one in stand.io.values()}
    used |= {("link", slot.link.driver) for slot in stand.slots.values()}
    return [finding for role, name in sorted(used) for finding in find_driver(role, name).findings(stand)]
