"""`idlewhy serve` as it is typed: tokens, refusals, what is missing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from idlewhy.cli.main import main


def test_tokens_are_made_listed_and_revoked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = ["--store", str(tmp_path)]
    assert main(["serve", "token", "add", "workshop", "--scope", "upload", *store]) == 0
    token = capsys.readouterr().out.strip()
    assert token.startswith("idlewhy_")
    main(["serve", "token", "list", *store])
    listed = capsys.readouterr().out
    assert "workshop" in listed
    assert "read,upload" in listed
    assert token.rpartition("_")[2] not in listed
    assert main(["serve", "token", "revoke", token.split("_")[1], *store]) == 0
    assert main(["serve", "token", "revoke", token.split("_")[1], *store]) == 2


def test_beyond_loopback_without_a_token_it_says_how_to_make_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["serve", "--host", "0.0.0.0", "--port", "0", "--store", str(tmp_path)]) == 2
    assert "idlewhy serve token add" in capsys.readouterr().err


def test_without_its_libraries_it_names_the_extra(monkeypatch: Any, capsys: pytest.CaptureFixture[str]) -> None:
    import importlib.util

    found = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "uvicorn" else found(name))
    assert main(["serve"]) == 2
    said = capsys.readouterr().err
    assert "uvicorn" in said
    assert 'pip install "idlewhy[web]"' in said
