"""The 2-D code of a certificate: read from the printed page, checked with the stand's public key alone."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from hilseq.cli.main import app
from hilseq.errors import UsageError
from hilseq.journal.reader import read_journal
from hilseq.journal.seals import read_run
from hilseq.journal.signatures import Signer
from hilseq.reports.certificate import certificate, label
from hilseq.reports.summary_code import read_code, summary_text
from hilseq.signing import stand_key

pytest.importorskip("typst", reason="the extra hilseq[certificate] is not installed")
pypdfium2 = pytest.importorskip("pypdfium2", reason="the extra hilseq[dev] is not installed")
zxingcpp = pytest.importorskip("zxingcpp", reason="the extra hilseq[dev] is not installed")

#: Pixels an inch: what a cheap printer and a phone make of it.
DPI = 200


@pytest.fixture
def signed(story: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the folder of a run that its stand has signed, as a visit does at its end."""
    monkeypatch.setenv("HILSEQ_KEYS", str(tmp_path / "keys"))
    reported = story()
    reported.check("A check", readings=[{}])
    folder: Path = reported.end()
    run = read_run(folder)
    signer = Signer(folder, run.stand, run.run, stand_key(run.stand))
    signer.head(len(read_journal(folder).links), run.chain, final=True)
    signer.summary("A", summary_text(run, run.units[0]))
    return folder


def printed_code(folder: Path, *, on_label: bool = False) -> str:
    """Return what a reader finds on the certificate, or on the customer's label, rendered at its printed size."""
    run = read_run(folder)
    unit = run.units[0]
    paper = label(run, unit, "pdf", customer=True) if on_label else certificate(run, unit)
    page = pypdfium2.PdfDocument(paper)[0]
    found = zxingcpp.read_barcodes(page.render(scale=DPI / 72).to_numpy())
    assert len(found) == 1
    return str(found[0].text)


def verified(*words: str) -> tuple[int, dict[str, Any]]:
    done = CliRunner().invoke(app, ["verify", "--json", "--code", *words])
    return done.exit_code, json.loads(done.stdout)


def test_a_customer_checks_a_certificate_by_its_code(signed: Path, tmp_path: Path) -> None:
    """With the stand's public key: 0. Without: signed by somebody. Changed anywhere: reported as changed."""
    text = printed_code(signed)
    content = read_code(text)
    assert (content.serial, content.verdict, content.simulated, content.holds) == (
        "RH0001",
        "ship",
        False,
        True,
    )
    key = tmp_path / "stands.txt"
    key.write_text(f"sim-bench {content.key}\n", encoding="utf-8")
    code, said = verified(text, "--key", str(key))
    assert (code, said["reported"]) == (0, "signed by the known stand sim-bench")
    code, said = verified(text)
    assert (code, "not known here" in said["reported"]) == (2, True)
    for old, new in (("|ship|", "|repair|"), ("RH0001", "RH0002"), (content.chain[:8], "00000000")):
        code, said = verified(text.replace(old, new, 1), "--key", str(key))
        assert (code, "was changed" in said["reported"]) == (1, True)


def test_the_customers_label_carries_the_same_code(signed: Path, tmp_path: Path) -> None:
    """Read at 24 mm, as 200 dots an inch print it, and checked by the public key."""
    text = printed_code(signed, on_label=True)
    assert text == printed_code(signed)
    key = tmp_path / "stands.txt"
    key.write_text(f"sim-bench {read_code(text).key}\n", encoding="utf-8")
    assert verified(text, "--key", str(key))[0] == 0


def test_an_unsigned_run_carries_its_chain_alone(story: Callable[..., Any]) -> None:
    reported = story()
    reported.check("A check", readings=[{}])
    folder = reported.end()
    text = printed_code(folder)
    assert text == f"HILSEQ RH0001 {read_run(folder).chain}"
    done = CliRunner().invoke(app, ["verify", "--code", text])
    assert "is not signed" in str(done.exception)


@pytest.mark.parametrize("text", ["", "HILSEQ2", "x" * 100_000, "HILSEQ2|" * 40])
def test_what_is_no_code_is_reported(text: str) -> None:
    with pytest.raises(UsageError, match="no code of a certificate"):
        read_code(text)


@pytest.mark.parametrize("field", ["", "x", "AAAA", "\ud800"])
def test_a_code_of_nonsense_holds_nothing(field: str) -> None:
    assert not read_code("|".join(["HILSEQ2", *[field] * 11])).holds
