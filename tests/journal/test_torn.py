"""A writer killed at any byte leaves every whole line readable, and the torn tail is reported."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from hilseq.errors import UsageError
from hilseq.journal.entries import EventLogged
from hilseq.journal.reader import find_journal, read_journal
from hilseq.journal.writer import FILE_NAME, JournalWriter


def _written(folder: Path) -> bytes:
    writer = JournalWriter(folder)
    for number in range(5):
        writer.write(EventLogged(what="sample", text=f"text {number} \u202e"))
    writer.close()
    return writer.path.read_bytes()


def test_every_prefix_of_a_journal_reads_as_its_whole_lines_and_a_torn_tail(tmp_path: Path) -> None:
    whole = _written(tmp_path / "whole")
    cut = tmp_path / FILE_NAME
    for length in range(len(whole) + 1):
        cut.write_bytes(whole[:length])
        journal = read_journal(tmp_path)
        lines, _, tail = whole[:length].rpartition(b"\n")
        expected = lines.count(b"\n") + 1 if lines else 0
        assert len(journal.entries) == expected
        assert journal.torn == len(tail)
        assert journal.broken == ""
        if expected:
            assert journal.chain == json.loads(lines.split(b"\n")[-1])["chain"]


def test_a_tail_of_garbage_is_torn_and_garbage_in_the_middle_is_broken(tmp_path: Path) -> None:
    whole = _written(tmp_path / "whole")
    (tmp_path / FILE_NAME).write_bytes(whole + b"\0\xff\0")
    assert (read_journal(tmp_path).torn, read_journal(tmp_path).broken) == (3, "")
    (tmp_path / FILE_NAME).write_bytes(whole + b"\0\xff\n")
    assert read_journal(tmp_path).broken.startswith("line 6 ")


def test_an_empty_journal_is_read_as_empty(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).touch()
    assert read_journal(tmp_path).entries == ()


def test_a_folder_without_a_journal_says_what_to_give(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="give the folder that `hilseq run` named"):
        find_journal(tmp_path)


WRITER = """
import sys
from pathlib import Path
from hilseq.journal.entries import EventLogged
from hilseq.journal.writer import JournalWriter
writer = JournalWriter(Path(sys.argv[1]))
number = 0
while True:
    writer.write(EventLogged(what="sample", text=str(number)))
    print(number, flush=True)
    number += 1
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs SIGKILL")
def test_after_sigkill_no_entry_is_lost_that_write_had_returned_for(tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    command = [sys.executable, "-c", WRITER, str(tmp_path / "run")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "0\n"
        time.sleep(0.15)
        process.kill()
        acknowledged = process.stdout.read().split()
    journal = read_journal(tmp_path / "run")
    assert journal.broken == ""
    numbers = [int(entry.text) for entry in journal.of(EventLogged)]
    assert numbers == list(range(len(numbers)))
    assert len(numbers) > int(acknowledged[-1]) if acknowledged else len(numbers) >= 1
