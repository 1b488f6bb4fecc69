"""Tests of a driver in the group `hilseq.serial_partners`: the stand's side of one port of a unit."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from itertools import islice

import pytest

from hilseq.errors import StandFault, UnitFault, UnitSilent
from hilseq.instruments.protocols import SerialPartner
from hilseq.testing.kit import DriverTests, Wire, claimed, ends

#: So many frames are sent where one would not do: what breaks first, then pseudo-random ones.
_FRAMES = 12


@dataclass(frozen=True)
class PartnerRig:
    """One port of a unit that answers rightly; `deadline` in s is that of the port in the profile."""

    partner: SerialPartner
    wire: Wire
    deadline: float


def _comes_back(sent: bytes, back: bytes) -> None:
    """Require that what came back is what was sent."""
    assert back == sent, f"{sent.hex(' ')} was sent and {back.hex(' ')} came back"


class PartnerTests(DriverTests):
    """Inherit, and override `rig`."""

    @pytest.fixture
    def rig(self) -> PartnerRig:
        """Return the rig. To be overridden; what it starts, it stops."""
        raise NotImplementedError

    def test_frames_come_without_end(self, rig: PartnerRig) -> None:
        """Each proves some bits when its answer is right, and so does the short one."""
        frames = list(islice(rig.partner.frames(), 1000))
        enough = len(frames) == 1000  # noqa: PLR2004 - a claim is proven with many
        assert enough, f"`frames` ended after {len(frames)}; it must continue for as long as it is asked"
        proving = all(frame.bits > 0 for frame in (*frames, rig.partner.short))
        assert proving, "a frame proves no bits (`bits` is 0)"

    def test_what_is_sent_comes_back(self, rig: PartnerRig) -> None:
        """The answer of a sound port equals the frame, at once and in halves."""
        with rig.partner as partner:
            for frame in (partner.short, *islice(partner.frames(), _FRAMES)):
                _comes_back(frame.data, partner.exchange(frame.data))
            partner.ask(partner.short.data)
            _comes_back(partner.short.data, partner.answer())

    def test_silence_is_the_units_and_does_not_hang(self, rig: PartnerRig) -> None:
        """Who does not answer is UnitSilent."""
        with rig.partner as partner:
            partner.exchange(partner.short.data)
            rig.wire.mute()
            with pytest.raises(UnitSilent):
                ends(lambda: partner.exchange(partner.short.data), rig.deadline)

    @claimed("tells_late_answers")
    def test_a_late_answer_is_no_answer_to_the_next_frame(self, rig: PartnerRig) -> None:
        """After a time-out the answer that comes late is not taken for that to another frame."""
        with rig.partner as partner:
            partner.exchange(partner.short.data)
            rig.wire.delay(1.5 * rig.deadline)
            with pytest.raises(UnitSilent):
                ends(lambda: partner.exchange(partner.short.data), rig.deadline)
            rig.wire.heal()
            for frame in islice(partner.frames(), 3):
                _comes_back(frame.data, ends(partial(partner.exchange, frame.data), rig.deadline))

    def test_turned_bits_are_seen(self, rig: PartnerRig) -> None:
        """A garbled answer is a fault of the unit, or comes back other than it was sent; then all is well again."""
        with rig.partner as partner:
            partner.exchange(partner.short.data)
            rig.wire.garble()
            with suppress(UnitFault):
                back = ends(lambda: partner.exchange(partner.short.data), rig.deadline)
                assert back != partner.short.data, (
                    "the answer was garbled on its way and came back as it was sent"
                )
            rig.wire.heal()
            partner.close()
            partner.open()
            _comes_back(partner.short.data, partner.exchange(partner.short.data))

    @claimed("reconnects")
    def test_a_lost_connection_is_opened_again(self, rig: PartnerRig) -> None:
        """One exchange may fail for it; the next, after opening anew, does not."""
        with rig.partner as partner:
            partner.exchange(partner.short.data)
            rig.wire.cut()
            with suppress(UnitFault, StandFault):
                ends(lambda: partner.exchange(partner.short.data), rig.deadline)
            partner.close()
            partner.open()
            _comes_back(partner.short.data, partner.exchange(partner.short.data))

    def test_it_opens_again_after_close(self, rig: PartnerRig) -> None:
        """`close` may come at any time, twice, too."""
        for _ in range(2):
            with rig.partner as partner:
                _comes_back(partner.short.data, partner.exchange(partner.short.data))
                partner.close()
            partner.close()
