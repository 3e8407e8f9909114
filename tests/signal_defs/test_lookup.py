"""Where platforms are looked for, and in which order."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

import signal_defs
from signal_defs.errors import DefinitionError
from signal_defs.lookup import find_platform, list_platforms

SHIPPED = Path(signal_defs.__file__).parent / "platforms"


@pytest.fixture
def user_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    import platformdirs

    monkeypatch.setattr(platformdirs, "user_data_path", lambda *_args, **_kw: tmp_path / "data")
    monkeypatch.delenv("IDLEWHY_PLATFORMS", raising=False)
    return tmp_path / "data" / "platforms"


def _copy(root: Path, name: str = "example-van") -> Path:
    shutil.copytree(SHIPPED / "example-hatch", root / name)
    return root / name


def test_a_path_comes_before_the_variable_the_user_s_folder_and_the_shipped(
    user_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert find_platform("example-van") == SHIPPED / "example-van"
    users = _copy(user_folder)
    assert find_platform("example-van") == users
    second = _copy(tmp_path / "b")
    monkeypatch.setenv("IDLEWHY_PLATFORMS", os.pathsep.join([str(tmp_path / "a"), "", str(tmp_path / "b")]))
    assert find_platform("example-van") == second
    first = _copy(tmp_path / "a")
    assert find_platform("example-van") == first
    here = _copy(tmp_path / "here")
    monkeypatch.chdir(tmp_path / "here")
    assert find_platform("example-van").resolve() == here
    assert find_platform(here) == here
    assert find_platform(here / "platform.toml") == here


def test_a_folder_of_that_name_without_a_platform_does_not_hide_the_id(
    user_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "example-van").mkdir()
    monkeypatch.chdir(tmp_path)
    assert find_platform("example-van") == SHIPPED / "example-van"


def test_an_unknown_id_is_answered_with_the_nearest(user_folder: Path) -> None:
    with pytest.raises(DefinitionError) as raised:
        find_platform("exmaple-van")
    assert raised.value.what == 'There is no platform "exmaple-van".'
    assert raised.value.mend == "Did you mean example-van? A path to a platform folder will do as well."


def test_a_folder_without_the_file_is_told_so(user_folder: Path, tmp_path: Path) -> None:
    with pytest.raises(DefinitionError, match=r"There is no platform\.toml in this folder"):
        find_platform(tmp_path)


@pytest.mark.parametrize("name", ["", "../signal_defs", "a/b", ".."])
def test_an_id_never_leads_out_of_the_folders_of_platforms(user_folder: Path, name: str) -> None:
    with pytest.raises(DefinitionError):
        find_platform(name)


def test_the_list_tells_origin_and_fault(user_folder: Path, tmp_path: Path) -> None:
    _copy(user_folder, "mine")
    (user_folder / "broken").mkdir(parents=True)
    (user_folder / "broken" / "platform.toml").write_text("schema = ", encoding="utf-8")
    entries = {entry.id: entry for entry in list_platforms()}
    assert (entries["mine"].origin, entries["mine"].fault) == ("user", "")
    assert "Invalid value" in entries["broken"].fault
    assert entries["open-standard"].origin == "shipped"
