"""Locks and latches in a folder that everybody may write: whatever lies there, nothing is followed or believed."""

from __future__ import annotations

import json
import os
import signal
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from hilseq.description.loading import load_stand
from hilseq.errors import StandFault, StandInUse, UsageError
from hilseq.lease.addresses import StandInstrument, instruments_of
from hilseq.lease.holder import LONGEST, Holder
from hilseq.lease.latch import Latch
from hilseq.lease.lease import Lease, end_users, uses_of
from hilseq.lease.process import Process

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="kernel locks of POSIX")

SUPPLY = StandInstrument("supply main", "192.0.2.10:instrument")
IO = StandInstrument("io rack", "192.0.2.11:502")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A lock folder of its own for each test."""
    monkeypatch.setenv("HILSEQ_LOCKS", str(tmp_path / "locks"))
    return tmp_path / "locks"


def _lease(*instruments: StandInstrument, command: str = "run") -> Lease:
    return Lease(instruments, Holder.this(command, "bench", folder="/runs/one", units={"A": "RH-1"}))


HOLD = """
import signal, sys
from hilseq.lease.addresses import StandInstrument
from hilseq.lease.holder import Holder
from hilseq.lease.lease import Lease
part, address = sys.argv[1:]
holder = Holder.this("run", "bench", folder="/runs/other", units={"A": "RH-7"})
lease = Lease([StandInstrument(part, address)], holder)
lease.take()
signal.signal(signal.SIGTERM, lambda *_: lease.heard())
print("holds", flush=True)
sys.stdin.read()
"""


def _holding(instrument: StandInstrument) -> subprocess.Popen[str]:
    """Start a process that holds an instrument; it says that it has heard, and ends when its input does."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, instrument.part, instrument.address],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "holds\n"
    return process


@pytest.fixture
def holder() -> Iterator[subprocess.Popen[str]]:
    """Another process that holds the supply."""
    process = _holding(SUPPLY)
    yield process
    process.kill()
    process.communicate()


def test_everybody_may_write_the_folder(folder: Path) -> None:
    """The folder and its locks are for every user, whatever the umask: as /tmp, each may remove only his own."""
    before = os.umask(0o077)
    try:
        _lease(SUPPLY).take()
    finally:
        os.umask(before)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o1777
    assert stat.S_IMODE((folder / SUPPLY.lock).stat().st_mode) == 0o666


def test_a_refusal_says_who_and_since_when(holder: subprocess.Popen[str]) -> None:
    """Who holds it, which run, which unit, since when; what is free besides is not kept."""
    with pytest.raises(StandInUse) as refused:
        _lease(IO, SUPPLY).take()
    reported = str(refused.value)
    for part in (
        f"process {holder.pid}",
        "hilseq run",
        "RH-7 in slot A",
        "/runs/other",
        "since 20",
        "192.0.2.10",
    ):
        assert part in reported
    _lease(IO).take()


def test_a_lock_dies_with_its_process(holder: subprocess.Popen[str]) -> None:
    """SIGKILL frees at once, and what the dead one had written is not taken for a holder."""
    holder.kill()
    holder.wait()
    (use,) = uses_of([SUPPLY])
    assert not use.is_held
    lease = _lease(SUPPLY)
    lease.take()
    (use,) = uses_of([SUPPLY])
    assert use.holder is not None
    assert use.holder.process == Process.of(os.getpid())
    lease.close()


def test_whoever_inherits_holds_on() -> None:
    """A guard that inherits the descriptors keeps others out after its run has let go."""
    lease = _lease(SUPPLY)
    lease.take()
    heir = subprocess.Popen(
        [sys.executable, "-c", "input()"], stdin=subprocess.PIPE, pass_fds=lease.handles, text=True
    )
    lease.close()
    try:
        with pytest.raises(StandInUse):
            _lease(SUPPLY).take()
    finally:
        heir.communicate("\n")
    _lease(SUPPLY).take()


@pytest.mark.parametrize(
    "content",
    [b"", b"\0" * 100, b"\xff" * 5000, b"[" * 5000, b'{"pid": "x"}', b'"text"', b"null", b"x" * (64 << 20)],
    ids=["empty", "zeros", "binary", "deep", "other", "a text", "null", "huge"],
)
def test_contents_are_not_believed(content: bytes, folder: Path) -> None:
    """Whatever stands in a lock file, the kernel's lock decides; what makes no sense is reported as that."""
    lease = _lease(SUPPLY)
    lease.take()
    (folder / SUPPLY.lock).write_bytes(content)
    (use,) = uses_of([SUPPLY])
    assert use.is_held
    assert use.holder is None
    with pytest.raises(StandInUse, match="has not said who it is"):
        _lease(SUPPLY).take()
    lease.close()
    _lease(SUPPLY).take()


def test_who_is_named_by_somebody_else_is_not_killed(folder: Path, holder: subprocess.Popen[str]) -> None:
    """A lock file may name any process: only one that has it open is ended."""
    stranger = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE, text=True)
    lock = folder / SUPPLY.lock
    plain = json.loads(lock.read_bytes())
    named = Process.of(stranger.pid)
    plain["process"] = {"pid": named.pid, "started": named.started}
    lock.write_bytes(json.dumps(plain).encode()[:LONGEST])
    try:
        (use,) = uses_of([SUPPLY])
        assert not use.kill_run()
        use.kill()
        assert stranger.poll() is None
    finally:
        stranger.communicate("\n")
    assert holder.poll() is None


def test_only_who_is_mute_is_killed(holder: subprocess.Popen[str]) -> None:
    """Of two who hold the stand, the one that has heard gets its time, whatever becomes of the other one."""
    mute = _holding(IO)
    os.kill(mute.pid, signal.SIGSTOP)
    said = []
    for words in end_users(uses_of([SUPPLY, IO]), patience=60.0):
        said.append(words)
        if "killed" in words:  # long after it was asked: now it lets go
            holder.communicate("")
    assert [f"process {mute.pid}" in said[0], said[0].endswith("did not end, killed")] == [True, True]
    assert [f"process {holder.pid}" in said[1], said[1].endswith("asked, has ended")] == [True, True]
    mute.communicate()
    assert (mute.returncode, holder.returncode, len(said)) == (-signal.SIGKILL, 0, 2)


def test_a_process_number_that_is_used_again_is_not_killed() -> None:
    """A number is compared with when its process started."""
    other = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE, text=True)
    Process(other.pid, "1").kill()
    assert other.poll() is None
    other.communicate("\n")


@pytest.mark.parametrize("what", ["link", "folder", "hard link", "pipe"])
def test_what_is_no_plain_file_is_refused(what: str, folder: Path, tmp_path: Path) -> None:
    """A link that somebody has laid there is not followed, and nothing else is waited for."""
    folder.mkdir(mode=0o1777)
    victim = tmp_path / "victim"
    victim.write_text("mine")
    lock = folder / SUPPLY.lock
    match what:
        case "link":
            lock.symlink_to(victim)
        case "folder":
            lock.mkdir()
        case "hard link":
            os.link(victim, lock)
        case _:
            os.mkfifo(lock)
    with pytest.raises(StandFault, match=SUPPLY.lock):
        _lease(SUPPLY).take()
    assert victim.read_text() == "mine"


def test_a_folder_that_is_a_link_is_refused(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody else's link is no lock folder: an error of whoever named it, or of the computer where nobody did."""
    (tmp_path / "elsewhere").mkdir()
    folder.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(UsageError, match=f"HILSEQ_LOCKS={folder}"):
        _lease(SUPPLY).take()
    monkeypatch.delenv("HILSEQ_LOCKS")
    monkeypatch.setattr("hilseq.lease.shared_folder._DEFAULT", str(folder))
    with pytest.raises(StandFault, match="HILSEQ_LOCKS"):
        _lease(SUPPLY).take()


def test_a_lock_file_that_was_made_anew_has_one_holder(folder: Path) -> None:
    """Who holds a file that has been deleted does not hold its successor; the next one still gets a whole lock."""
    first = _lease(SUPPLY)
    first.take()
    (folder / SUPPLY.lock).unlink()
    second = _lease(SUPPLY)
    second.take()
    with pytest.raises(StandInUse):
        _lease(SUPPLY).take()


def _as_somebody_else() -> str:
    """Try to hold the supply as another user, in a process that has nothing left of this one's rights."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        reported = "holds"
        try:
            os.setgroups([])
            os.setgid(65534)
            os.setuid(65534)
            _lease(SUPPLY).take()
        except BaseException as error:  # noqa: BLE001 - reported by the pipe, whatever it is
            reported = f"{type(error).__name__}: {error}"
        os.write(writer, reported.encode())
        os._exit(0)
    os.close(writer)
    os.waitpid(child, 0)
    with os.fdopen(reader) as words:
        return words.read()


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs root to be two users")
def test_two_users_meet(monkeypatch: pytest.MonkeyPatch) -> None:
    """What one user has made another one may hold; while he does not, he learns who does."""
    with tempfile.TemporaryDirectory(dir="/var/tmp", prefix="hilseq-test-") as where:
        Path(where).chmod(0o755)
        monkeypatch.setenv("HILSEQ_LOCKS", f"{where}/locks")
        lease = _lease(SUPPLY)
        lease.take()
        assert "StandInUse" in _as_somebody_else()
        lease.close()
        assert _as_somebody_else() == "holds"


# -- the latch --------------------------------------------------------------------------------------------


def test_a_latch_stands_until_it_is_released(folder: Path) -> None:
    """Who latched and who released it, when and why, is kept line by line."""
    latch = Latch([SUPPLY, IO])
    latch.require_released()
    latch.set("hilseq safe")
    with pytest.raises(StandInUse, match="hilseq stand"):
        Latch([IO]).require_released()
    latch.release("cover closed again")
    latch.require_released()
    kept = [json.loads(line) for line in (folder / IO.latch).read_bytes().split(b"\n") if line]
    assert [(line["what"], line["why"]) for line in kept] == [
        ("latched", "hilseq safe"),
        ("released", "cover closed again"),
    ]


@pytest.mark.parametrize(
    "content", [b"\0\0", b'{"what": "maybe"}\n', b'{"what": "relea', b"[" * 9000, b"x" * 100_000]
)
def test_a_latch_that_makes_no_sense_keeps_off(content: bytes, folder: Path) -> None:
    """When in doubt the stand stays off; a release puts it right."""
    folder.mkdir(mode=0o1777)
    (folder / SUPPLY.latch).write_bytes(content)
    latch = Latch([SUPPLY])
    with pytest.raises(StandInUse):
        latch.require_released()
    latch.release("looked at")
    latch.require_released()


# -- addresses --------------------------------------------------------------------------------------------

STAND = """
stand: {name}
supplies:
  main: {{resource: "{resource}", ceilings: {{voltage: 30 V, current: 2 A}}}}
slots:
  A: {{supply: main, link: {{address: "192.0.2.30:502"}}}}
"""


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("TCPIP::192.0.2.10::INSTR", "TCPIP0::192.0.2.10::inst0::INSTR", True),
        # IANA, Service Name and Transport Protocol Port Number Registry: scpi-raw 5025/tcp, hislip 4880/tcp.
        ("TCPIP::192.0.2.10::INSTR", "TCPIP::192.0.2.10::5025::SOCKET", True),
        ("TCPIP::192.0.2.10::hislip0::INSTR", "tcpip::192.0.2.10::5025::socket", True),
        ("TCPIP::192.0.2.10::5025::SOCKET", "TCPIP::192.0.2.11::5025::SOCKET", False),
        ("TCPIP::127.0.0.1::4001::SOCKET", "TCPIP::localhost::4001::SOCKET", True),
        ("TCPIP::192.0.2.10::4001::SOCKET", "TCPIP::192.0.2.10::4002::SOCKET", False),
        ("GPIB::5::INSTR", "GPIB0::5", True),
        ("GPIB0::5::INSTR", "gpib0::05::INSTR", True),
        ("USB::0x1234::22136::SN1::INSTR", "USB0::4660::0x5678::sn1::0::INSTR", True),
        ("USB::0x1234::0x5678::012::INSTR", "USB::0x1234::0x5678::12::INSTR", False),
        ("TCPIP::127.0.0.1::5025::SOCKET", "TCPIP::0.0.0.0::5025::SOCKET", True),
        ("TCPIP::127.0.0.1::5025::SOCKET", "TCPIP::127.0.0.2::5025::SOCKET", False),
        ("TCPIP::192.0.2.10::hislip0,4880::INSTR", "TCPIP::192.0.2.10::05025::SOCKET", True),
        ("TCPIP::127.0.0.1::4001::SOCKET", "TCPIP::LocalHost.::4001::SOCKET", True),
        ("ASRL/dev/null::INSTR", "ASRL/dev/../dev/null", True),
    ],
)
def test_an_instrument_has_one_address(one: str, other: str, same: bool, tmp_path: Path) -> None:
    """However a stand file spells an address, the same instrument has the same lock."""
    found = []
    for number, resource in enumerate((one, other)):
        file = tmp_path / f"stand{number}.yaml"
        file.write_text(STAND.format(name=f"bench{number}", resource=resource))
        found.append(instruments_of(load_stand(file))[0].lock)
    assert (found[0] == found[1]) is same
