"""What the server writes of itself."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator

import pytest

from idlewhy.web.logs import LOGGER, set_up, tell


@pytest.fixture
def writing() -> Iterator[None]:
    kept = LOGGER.handlers[:]
    set_up()
    yield
    LOGGER.handlers[:] = kept


@pytest.mark.usefixtures("writing")
def test_a_line_is_one_object_whatever_stands_in_it(capsys: pytest.CaptureFixture[str]) -> None:
    tell("request", route='"}\n{"level": "error"', status=200)
    (line,) = capsys.readouterr().err.splitlines()
    assert json.loads(line)["status"] == 200


@pytest.mark.usefixtures("writing")
def test_serving_goes_on_when_nobody_reads_the_log(monkeypatch: pytest.MonkeyPatch) -> None:
    closed = io.StringIO()
    closed.close()
    monkeypatch.setattr("sys.stderr", closed)
    tell("request")
