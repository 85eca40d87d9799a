from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path
from threading import Thread

import pytest

from layers._errors import InputError
from spotmap.outputs import write_folder


def _plan(version: str) -> dict[str, bytes]:
    proof = f'{{"type":"FeatureCollection","spotmap":{{"plan_version":1,"area":"{version}"}},"features":[]}}'
    return {
        "plan.geojson": proof.encode(),
        "map.html": f"<p>{version}".encode(),
        "route.gpx": version.encode(),
    }


def _content(folder: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in folder.iterdir()}


def test_missing_parents_are_made_and_nothing_is_left_beside(tmp_path: Path) -> None:
    folder = tmp_path / "season" / "friday"
    write_folder(folder, _plan("first"))
    assert _content(folder) == _plan("first")
    assert [entry.name for entry in folder.parent.iterdir()] == ["friday"]


@pytest.mark.skipif(os.name != "posix", reason="modes are POSIX")
def test_others_may_read_what_the_umask_lets_them(tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        write_folder(tmp_path / "open", _plan("first"))
    finally:
        os.umask(before)
    assert (tmp_path / "open").stat().st_mode & 0o777 == 0o755
    (tmp_path / "open").chmod(0o700)
    write_folder(tmp_path / "open", _plan("second"))
    assert (tmp_path / "open").stat().st_mode & 0o777 == 0o700


def test_an_earlier_plan_is_replaced_whole(tmp_path: Path) -> None:
    folder = tmp_path / "plan"
    write_folder(folder, {**_plan("first"), "handout.pdf": b"of the first plan only"})
    (folder / ".DS_Store").write_bytes(b"desktop")
    write_folder(folder, _plan("second"))
    assert _content(folder) == _plan("second")
    assert list(tmp_path.iterdir()) == [folder]


def test_an_empty_folder_is_fine_and_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to("real", target_is_directory=True)
    write_folder(tmp_path / "link", _plan("first"))
    assert (tmp_path / "link").is_symlink()
    assert _content(tmp_path / "real") == _plan("first")


def test_a_full_disk_leaves_the_old_plan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "plan"
    write_folder(folder, _plan("first"))
    _fill_disk_at_second_file(monkeypatch)
    with pytest.raises(InputError, match=r"plan: The plan cannot be written here: No space left.*Free the disk"):
        write_folder(folder, _plan("second"))
    assert _content(folder) == _plan("first")
    assert list(tmp_path.iterdir()) == [folder]


def test_a_full_disk_leaves_nothing_new(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _fill_disk_at_second_file(monkeypatch)
    with pytest.raises(InputError, match="No space left"):
        write_folder(tmp_path / "season" / "friday", _plan("first"))
    assert list(tmp_path.iterdir()) == []


def _fill_disk_at_second_file(monkeypatch: pytest.MonkeyPatch) -> None:
    calls = iter([None])

    def fsync(_handle: int) -> None:
        if next(calls, "full") == "full":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", fsync)


@pytest.mark.parametrize(
    ("failure", "seen"),
    [(KeyboardInterrupt(), KeyboardInterrupt), (OSError(errno.EIO, "Input/output error"), InputError)],
)
def test_a_break_between_the_renames_puts_the_old_plan_back(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    failure: BaseException,
    seen: type[BaseException],
) -> None:
    folder = tmp_path / "plan"
    write_folder(folder, _plan("first"))
    rename = Path.rename

    def broken(self: Path, target: Path) -> Path:
        if self.suffix == ".part":
            assert not folder.exists()  # the old plan has been moved aside
            raise failure
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", broken)
    with pytest.raises(seen, match=r"^$|Input/output"):
        write_folder(folder, _plan("second"))
    assert _content(folder) == _plan("first")
    assert list(tmp_path.iterdir()) == [folder]


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("notes.txt", b"mine"),
        ("map.html", b"<p>somebody else's map"),
        ("plan.geojson", b'{"type":"FeatureCollection","features":[]}'),
        ("plan.geojson", b"[1, 2]"),
        ("plan.geojson", b"\xff not text"),
    ],
)
def test_what_no_plan_wrote_is_never_touched(tmp_path: Path, name: str, content: bytes) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / name).write_bytes(content)
    with pytest.raises(InputError, match=rf"mine: The folder holds '{name}', which no plan wrote.*new or empty"):
        write_folder(folder, _plan("first"))
    assert _content(folder) == {name: content}
    assert list(tmp_path.iterdir()) == [folder]


def test_one_strange_file_saves_the_whole_folder(tmp_path: Path) -> None:
    folder = tmp_path / "plan"
    write_folder(folder, _plan("first"))
    (folder / "photos").mkdir()
    (folder / "log.txt").write_bytes(b"two fish")
    with pytest.raises(InputError, match=r"holds 'log.txt' and 1 more"):
        write_folder(folder, _plan("second"))
    assert (folder / "map.html").read_bytes() == b"<p>first"
    assert (folder / "log.txt").read_bytes() == b"two fish"


def test_a_file_that_comes_in_while_writing_is_saved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "plan"
    write_folder(folder, _plan("first"))
    copymode = shutil.copymode

    def late(source: Path, target: Path) -> None:
        (folder / "log.txt").write_bytes(b"two fish")
        copymode(source, target)

    monkeypatch.setattr(shutil, "copymode", late)
    with pytest.raises(InputError, match=r"plan: The folder holds 'log.txt'"):
        write_folder(folder, _plan("second"))
    assert _content(folder) == {**_plan("first"), "log.txt": b"two fish"}


def test_places_where_no_folder_can_be(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "file"
    file.write_bytes(b"mine")
    with pytest.raises(InputError, match=r"This is a file.*another name"):
        write_folder(file, _plan("first"))
    with pytest.raises(InputError, match=r"cannot be written here: (Not a directory|File exists)"):
        write_folder(file / "under", _plan("first"))
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    with pytest.raises(InputError, match=r"folder you are working in.*--out plan"):
        write_folder(Path(), _plan("first"))
    assert file.read_bytes() == b"mine"
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["file", "here"]


def test_names_are_a_plans_own(tmp_path: Path) -> None:
    for files in ({**_plan("first"), "../escape": b""}, {"map.html": b""}):
        with pytest.raises(ValueError, match="with plan"):
            write_folder(tmp_path / "plan", files)
    assert list(tmp_path.iterdir()) == []


def test_two_runs_at_once_never_mix(tmp_path: Path) -> None:
    folder = tmp_path / "plan"
    failures: list[BaseException] = []

    def run(version: str) -> None:
        try:
            for _ in range(8):
                write_folder(folder, _plan(version))
        except InputError as error:
            failures.append(error)

    threads = [Thread(target=run, args=(f"run {number}",)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert _content(folder) in [_plan(f"run {number}") for number in range(4)]
    assert list(tmp_path.iterdir()) == [folder]
