"""The records as a witness: what they have seen of a journal is only added to, and tells a later rewrite."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from hilseq.journal.chain import GENESIS, seal
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.signatures import Signer, Trust, TrustAnswer
from hilseq.plugin.journal_signing import HeadSender
from hilseq.records import tables
from hilseq.records.database import Database, JournalRefused, open_database
from hilseq.records.heads import carry_heads, witness_of
from hilseq.records.importing import ImportOutcome, import_run
from hilseq.signing import stand_key


def _ask(url: str, run: Path) -> TrustAnswer:
    journal = read_journal(run)
    return witness_of(url)(journal, run_state(journal))


def _rewrite(run: Path, change: Any) -> None:
    """Write a journal anew behind its first line, numbered and chained as a run does it."""
    path = run / "journal.jsonl"
    lines, chain = [json.loads(line) for line in path.read_text("ascii").splitlines()], GENESIS
    change(lines)
    sealed = []
    for number, line in enumerate(lines):
        text, chain = seal(number, {k: v for k, v in line.items() if k not in ("n", "chain")}, chain)
        sealed.append(text)
    path.write_bytes(b"".join(sealed))


def _later(lines: list[dict[str, Any]]) -> None:
    lines[-1]["t"] += 1.0


def _other_run(lines: list[dict[str, Any]]) -> None:
    lines[0]["hilseq"] = "9.9"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (_later, "have seen another line"),
        (_other_run, "it began otherwise"),
        (lambda lines: lines.pop(), "are here"),
    ],
)
def test_a_later_rewrite_contradicts_the_witness(
    url: str, database: Database, make_run: Any, change: Any, words: str
) -> None:
    run = make_run()
    assert _ask(url, run).answer is Trust.NONE
    import_run(database, run)
    assert _ask(url, run).answer is Trust.AGREE
    _rewrite(run, change)
    answer = _ask(url, run)
    assert (answer.answer, words in answer.reported) == (Trust.CONTRADICTS, True), answer.reported


def _longer(lines: list[dict[str, Any]]) -> None:
    lines.insert(-1, dict(lines[-2]))
    _later(lines)


@pytest.mark.parametrize("change", [_later, _longer])
def test_a_signed_journal_takes_the_place_of_one_that_was_written_anew(  # noqa: PLR0917 - fixtures
    url: str, database: Database, make_run: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: Any
) -> None:
    """Where that one was brought in first: both are reported, and only the signed one is witnessed then."""
    monkeypatch.setenv("HILSEQ_KEYS", str(tmp_path / "keys"))
    run, forged = make_run(), tmp_path / "forged"
    links = read_journal(run).links
    shutil.copytree(run, forged)
    Signer(run, "north", run.name, stand_key("north")).head(len(links), links[-1], final=True)
    _rewrite(forged, change)
    import_run(database, forged)
    assert _ask(url, forged).answer is Trust.AGREE
    done = import_run(database, run)
    assert (done.outcome, str(forged) in done.other) == (ImportOutcome.REPLACED, True)
    answer = _ask(url, run)
    assert (answer.answer, "had another journal of it before" in answer.reported) == (Trust.AGREE, True)
    assert _ask(url, forged).answer is Trust.CONTRADICTS
    with pytest.raises(JournalRefused, match="one of the two was changed"):
        import_run(database, forged)
    assert import_run(database, run).outcome is ImportOutcome.UNCHANGED
    with database.reading() as connection:
        assert connection.execute(sa.select(tables.runs.c.chain)).scalars().all() == [links[-1]]


def test_nothing_in_the_heads_can_be_changed_and_no_forgotten_run_takes_them_along(
    url: str, database: Database, make_run: Any
) -> None:
    """Not by another program with the same rights: triggers refuse it."""
    run = make_run()
    import_run(database, run)
    for statement in (sa.update(tables.heads).values(chain="0" * 64), sa.delete(tables.heads)):
        with pytest.raises(Exception, match="only added to"), database.writing() as connection:
            connection.execute(statement)
    with database.writing() as connection:
        connection.execute(sa.delete(tables.copies))
        connection.execute(sa.delete(tables.runs))
    _rewrite(run, _later)
    assert _ask(url, run).answer is Trust.CONTRADICTS
    with pytest.raises(JournalRefused, match="one of the two was changed"):
        import_run(database, run)


def test_signed_heads_come_along_with_who_signed_them(
    database: Database, make_run: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Those that hold and fit the journal; a forged one does not become a witness."""
    monkeypatch.setenv("HILSEQ_KEYS", str(tmp_path / "keys"))
    run = make_run()
    links, key = read_journal(run).links, stand_key("north")
    signer = Signer(run, "north", run.name, key)
    signer.head(3, links[2], final=False)
    signer.head(4, "f" * 64, final=False)
    import_run(database, run)
    query = sa.select(tables.heads.c.lines, tables.heads.c.signed_by).order_by(tables.heads.c.lines)
    with database.reading() as connection:
        assert connection.execute(query).all() == [(3, key.public), (len(links), "")]


def test_records_made_anew_keep_what_the_old_ones_had_seen(
    database: Database, make_run: Any, tmp_path: Path
) -> None:
    run = make_run()
    import_run(database, run)
    old, new = tmp_path / "old.sqlite", tmp_path / "new.sqlite"
    with open_database(old) as before:
        import_run(before, run)
    with open_database(new) as after:
        assert carry_heads(old, after) == 1
    _rewrite(run, _later)
    assert _ask(str(new), run).answer is Trust.CONTRADICTS


def test_heads_are_sent_while_the_run_goes_on(
    url: str,
    make_run: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Before any import; what contradicts them is refused, and records that are away are reported once."""
    monkeypatch.setenv("HILSEQ_KEYS", str(tmp_path / "keys"))
    monkeypatch.setenv("HILSEQ_RECORDS", url)
    run = make_run()
    links = read_journal(run).links
    signer, sender = Signer(run, "north", run.name, stand_key("north")), HeadSender(links[0])
    for lines in (2, 3, len(links)):
        sender.send(signer.head(lines, links[lines - 1], final=False), tmp_path)
    sender.finish()
    answer = _ask(url, run)
    assert (answer.answer, "3 times" in answer.reported) == (Trust.AGREE, True)
    sender.send(signer.head(3, "f" * 64, final=False), tmp_path)
    sender.finish()
    assert "has seen another line 3 of the run" in capsys.readouterr().err
    monkeypatch.setenv("HILSEQ_RECORDS", "postgresql://nobody@127.0.0.1:1/none")
    away = HeadSender(links[0])
    for _ in range(2):
        away.send(signer.head(2, links[1], final=False), tmp_path)
        away.finish()
    assert capsys.readouterr().err.count("the records do not witness this run yet") == 1
