"""The user's folder: no save is lost unseen, a kill leaves the old or the new, damage is shown and never spreads."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from linelab.app.kept.revisions import plain_name
from linelab.app.kept.session_fields import FRESH, DamagedError
from linelab.app.library import Library, StaleError
from linelab.app.uploads import ARRIVING, Uploads
from linelab.errors import InputError
from linelab.files.bundled import bundled_karts


@pytest.fixture
def library(tmp_path):
    found = Library(tmp_path / "my karting")
    found.prepare()
    return found


def made(library, title="2026-05-31-practice", *, text="t,x,y\n0,0,0\n", **known):
    """A session of a small file; returns its name."""
    file = library.folder / "dropped"
    file.write_text(text, encoding="utf-8")
    return library.new_session(title, FRESH | {"day": "2026-05-31"} | known, [(file, "practice.csv")])


def python(code, *arguments, **more):
    """Another process that runs code with the app's library at hand."""
    head = (
        "import os, signal, sys; from pathlib import Path; from linelab.app.library import Library, StaleError\n"
        "from linelab.app.kept.session_fields import FRESH\nlibrary = Library(Path(sys.argv[1]))\n"
    )
    return subprocess.Popen([sys.executable, "-c", head + code, *map(str, arguments)], text=True, **more)


#: Ends the process by SIGKILL at the n-th event of the file system, whatever it is: nothing is patched, so the library
#: runs as it always does.
DIES = """
left = int(sys.argv[2])
def hook(event, arguments):
    global left
    if event in ("open", "os.mkdir", "os.rename", "os.remove", "os.rmdir", "shutil.move", "shutil.copyfile"):
        if event == "open" and not str(arguments[0]).startswith(sys.argv[1]):
            return
        left -= 1
        if left < 0:
            os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_session_is_made_changed_and_read(library):
    name = made(library, driver="Ilse Ø. Brandvær")
    found = library.session(name)
    assert (found["driver"], found["kart"], found["found"], found["results"]) == ("Ilse Ø. Brandvær", "", None, [])
    changed = library.change_session(name, {"weather": "damp"}, began_from=found["revision"])
    assert changed["revision"] != found["revision"]
    assert [one["weather"] for one in library.sessions()] == ["damp"]
    with pytest.raises(StaleError) as caught:
        library.change_session(name, {"weather": "dry"}, began_from=found["revision"])
    assert caught.value.revision == changed["revision"]
    assert library.session(name)["weather"] == "damp"
    assert sorted(item.name for item in (library.folder / "sessions").iterdir()) == [name]


COUNT = """
for turn in range(int(sys.argv[3])):
    while True:
        known = library.session(sys.argv[2])
        try:
            library.change_session(sys.argv[2], {"notes": known["notes"] + "x"}, began_from=known["revision"])
            break
        except StaleError:
            continue
"""


def test_processes_that_save_at_once_lose_nothing(library):
    """Each adds its letters one by one to what it has read: one save over another's would lose a letter."""
    name, turns, many = made(library), 60, 3
    begun = time.monotonic()
    others = [python(COUNT, library.folder, name, turns) for _ in range(many)]
    assert [other.wait(timeout=300) for other in others] == [0] * many
    print(f"{many * turns} saves by {many} processes in {time.monotonic() - begun:.1f} s")
    assert library.session(name)["notes"] == "x" * turns * many
    assert [item.name for item in (library.folder / "sessions").iterdir()] == [name]


SAVE_KART = """
text = library.read("kart", "rental-four-stroke").text
for turn in range(int(sys.argv[2])):
    while True:
        at = library.read("kart", "mine")
        try:
            library.save("kart", "mine", at.text + "#\\n", began_from=at.revision)
            break
        except StaleError:
            continue
"""


def test_files_saved_by_processes_at_once_lose_nothing(library):
    library.save("kart", "mine", "#\n")
    others = [python(SAVE_KART, library.folder, 50) for _ in range(2)]
    assert [other.wait(timeout=300) for other in others] == [0, 0]
    assert library.read("kart", "mine").text == "#\n" * 101
    assert [item.name for item in (library.folder / "karts").iterdir()] == ["mine.toml"]


@pytest.mark.skipif(os.name == "nt", reason="there is no SIGKILL")
def test_a_kill_at_any_step_of_a_save_leaves_the_old_or_the_new(library):
    name = made(library, notes="old " * 2000)
    code = DIES + (
        "known = library.session(sys.argv[3])\nsys.addaudithook(hook)\n"
        "library.change_session(sys.argv[3], {'notes': 'new ' * 2000}, began_from=known['revision'])"
    )
    seen, step = set(), 0
    while True:
        ended = python(code, library.folder, step, name).wait(timeout=60)
        library.prepare()
        (known,) = library.sessions()
        seen.add(known["notes"])
        assert library.damaged() == []
        assert [item.name for item in (library.folder / "sessions").iterdir()] == [name]
        assert sorted(item.name for item in library.session_folder(name).iterdir()) == [
            "recording-1.csv",
            "session.json",
        ]
        if ended == 0:
            break
        assert ended == -9
        library.change_session(name, {"notes": "old " * 2000}, began_from=known["revision"])
        step += 1
    print(f"killed at each of {step} steps")
    assert step > 5
    assert seen == {"old " * 2000, "new " * 2000}


@pytest.mark.skipif(os.name == "nt", reason="there is no SIGKILL")
def test_a_kill_at_any_step_of_a_new_session_leaves_a_whole_one_or_none(library):
    code = DIES + (
        "files = [(Path(sys.argv[1]) / name, name) for name in ('a', 'b')]\n"
        "for file, _ in files: file.write_text('x' * 100_000)\nsys.addaudithook(hook)\n"
        "library.new_session('2026-05-31 club night', FRESH | {'day': '2026-05-31', 'joined': True}, files)"
    )
    counts, step = [], 0
    while True:
        ended = python(code, library.folder, step).wait(timeout=60)
        sizes = [[file.stat().st_size for file in folder.glob("recording-*")] for folder in sessions(library)]
        assert all(size == [100_000, 100_000] for size in sizes)
        assert len(library.sessions()) == len(sizes)
        assert library.damaged() == []
        counts.append(len(sizes))
        library.prepare()
        assert sorted(item.name for item in (library.folder / "sessions").iterdir()) == sorted(
            folder.name for folder in sessions(library)
        )
        if ended == 0:
            break
        assert ended == -9
        step += 1
    print(f"killed at each of {step} steps; sessions after each: {counts}")
    assert step > 8
    assert counts[0] == 0


def sessions(library):
    return [item for item in (library.folder / "sessions").iterdir() if item.name[0] != "."]


@pytest.mark.skipif(os.name == "nt", reason="there is no SIGKILL")
def test_kills_in_a_loop_of_saves_leave_files_that_can_be_read(library):
    name = made(library)
    code = (
        "turn = 0\nwhile True:\n    turn += 1\n    known = library.session(sys.argv[2])\n"
        "    library.change_session(sys.argv[2], {'notes': str(turn % 10) * 15_000}, began_from=known['revision'])\n"
        "    if turn == 3: print('on', flush=True)"
    )
    for k in range(12):
        other = python(code, library.folder, name, stdout=subprocess.PIPE)
        assert other.stdout.readline() == "on\n"
        time.sleep(0.003 * k)
        other.kill()
        other.communicate()
        (known,) = library.sessions()
        assert len(set(known["notes"])) == 1
        assert len(known["notes"]) == 15_000
    library.prepare()
    assert [item.name for item in (library.folder / "sessions").iterdir()] == [name]


def test_a_save_waits_for_another_one_and_gives_up_with_a_reason(library, monkeypatch):
    name = made(library)
    known = library.session(name)
    hold = (
        "from linelab.app.kept.revisions import alone_at\nimport time\n"
        "with alone_at(library.session_folder(sys.argv[2])):\n"
        "    print('held', flush=True); time.sleep(float(sys.argv[3]))"
    )
    other = python(hold, library.folder, name, 0.5, stdout=subprocess.PIPE)
    assert other.stdout.readline() == "held\n"
    assert library.change_session(name, {"notes": "late"}, began_from=known["revision"])["notes"] == "late"
    other.communicate()
    monkeypatch.setattr("linelab.app.kept.revisions.PATIENCE", 0.1)
    other = python(hold, library.folder, name, 30, stdout=subprocess.PIPE)
    assert other.stdout.readline() == "held\n"
    with pytest.raises(InputError, match="at work here"):
        library.change_session(name, {"notes": "x"}, began_from=library.session(name)["revision"])
    other.kill()
    other.communicate()


@pytest.mark.parametrize(
    ("title", "name"),
    [
        ("../../etc/passwd", "etc-passwd"),
        ("Sommer­abend Nürburg", "sommerabend-nurburg"),
        ("  ", "session"),
        ("Тренировка", "session"),
        ("con", "con-1"),
        ("a" * 300, "a" * 80),
        ("\udcff\x00\n*?<>|", "session"),
        (".hidden", "hidden"),
    ],
)
def test_names_with_odd_characters_become_plain_ones(library, title, name):
    assert plain_name(title, "session") == name
    assert made(library, title) == name
    assert library.session(name)["name"] == name


@pytest.mark.parametrize("name", ["..", ".", "", "a/b", "../sessions", "x" * 300, "A", "\udcff", "nul\0", ".linelab-x"])
def test_names_of_requests_are_looked_up_only(library, name):
    made(library)
    with pytest.raises(InputError):
        library.session(name)
    with pytest.raises(InputError):
        library.read("kart", name)
    with pytest.raises(InputError):
        library.restore(name)


def test_texts_with_halves_of_characters_are_made_legible(library):
    name = made(library, driver="\ud800 Anna")
    assert library.session(name)["driver"] == "\ufffd Anna"
    with pytest.raises(InputError):
        library.save("kart", "x", "\ud800")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "damaged"),
        (b'{"driver": "An', "line 1"),
        (b"[1, 2]", "no session"),
        (b"\xff\xfe\x00", "UTF-8"),
        (b'{"driver": 3}', "'driver' must be a text"),
        (b'{"laps": "all"}', "'laps' must be a list of lap numbers"),
        (b'{"position_error": NaN}', "NaN"),
        (b'{"note": 1e999}', "not JSON compliant"),
        (b"[" * 100_000, "nested"),
        (b'{"driver": "\\ud800"}', "UTF-8"),
        (b" " * 2_000_000, "larger than"),
        (b'{"day": "yesterday"}', "a date such as"),
        (b'{"recordings": [{"file": "../../secret.csv", "name": "x"}]}', "a recording of this session is missing"),
        (b'{"recordings": []}', "names no recording"),
        (None, "session.json is missing"),
    ],
)
def test_a_damaged_session_is_shown_and_can_be_started_anew(library, content, words):
    (library.folder / "secret.csv").write_text("t,x,y\n")
    other, name = made(library, "good"), made(library, "bad")
    path = library.session_folder(name) / "session.json"
    if content is None:
        path.unlink()
    else:
        path.write_bytes(content)
    assert [one["name"] for one in library.sessions()] == [other]
    (damaged,) = library.damaged()
    assert words in damaged["what"]
    assert damaged["name"] == name
    assert damaged["remedy"]
    with pytest.raises(DamagedError):
        library.session(name)
    library.folders.start_anew(name)
    assert {one["name"] for one in library.sessions()} == {other, name}
    assert library.session(name)["recordings"] == [{"file": "recording-1.csv", "name": "recording-1.csv"}]
    kept = library.session_folder(name) / "session-damaged.json"
    assert kept.read_bytes() == content if content is not None else not kept.exists()
    with pytest.raises(InputError, match="not damaged"):
        library.folders.start_anew(name)


def test_what_can_be_read_of_a_damaged_session_is_kept(library):
    name = made(library, driver="Ilse", notes="new axle")
    path = library.session_folder(name) / "session.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | {"laps": "all"}))
    library.folders.start_anew(name)
    found = library.session(name)
    assert (found["driver"], found["notes"], found["laps"]) == ("Ilse", "new axle", [])
    assert found["recordings"][0]["name"] == "practice.csv"


@pytest.mark.parametrize(
    "content", [b"", b"{}", b'{"title": 1, "laps": 2, "best": 3}', b'{"work_on": [', b"[" * 99_999]
)
def test_a_damaged_result_is_no_result(library, content):
    name = made(library)
    (library.session_folder(name) / "found.json").write_bytes(content)
    assert library.session(name)["found"] is None


def test_a_session_is_removed_and_put_back(library):
    name = made(library, driver="Ilse")
    word = library.remove_session(name)
    assert library.sessions() == []
    (item,) = library.bin.all()
    assert (item["word"], item["kind"], item["name"]) == (word, "session", name)
    again = made(library, name)
    assert again == name
    assert library.restore(word) == {"kind": "session", "name": f"{name}-2"}
    assert library.session(f"{name}-2")["driver"] == "Ilse"
    assert library.bin.all() == []
    assert list((library.folder / "removed").iterdir()) == []
    library.remove_session(name)
    assert library.bin.empty() == 1
    assert list((library.folder / "removed").iterdir()) == []
    with pytest.raises(InputError, match="any more"):
        library.restore(word)


def test_a_kart_is_removed_and_put_back_and_a_bundled_one_stays(library):
    text = bundled_karts()["gearbox"].read_text(encoding="utf-8")
    library.save("kart", "gearbox", text + "# mine\n")
    assert not library.read("kart", "gearbox").bundled
    word = library.remove("kart", "gearbox")
    assert library.read("kart", "gearbox").bundled
    assert library.restore(word) == {"kind": "kart", "name": "gearbox"}
    assert library.read("kart", "gearbox").text.endswith("# mine\n")
    library.remove("kart", "gearbox")
    with pytest.raises(InputError, match="comes with linelab"):
        library.remove("kart", "gearbox")


def test_a_session_is_renamed_and_those_beside_it_follow(library):
    name, mate = made(library), made(library, "mate")
    known = library.session(mate)
    library.change_session(mate, {"beside": name}, began_from=known["revision"])
    new = library.folders.rename(name, "Wet practice, Ørn's kart", began_from=library.session(name)["revision"])
    assert new == "2026-05-31-wet-practice-rn-s-kart"
    assert library.session(new)["title"] == "Wet practice, Ørn's kart"
    assert library.session(mate)["beside"] == new
    with pytest.raises(InputError, match="no session of this name"):
        library.session(name)
    with pytest.raises(StaleError):
        library.folders.rename(new, "x", began_from="0")


def test_recordings_put_into_the_folder_by_hand_are_offered_and_taken_in(library):
    place = library.folder / "sessions"
    (place / "Heat 1, wet.CSV").write_text("t,x,y\n")
    (place / "My Track Day").mkdir()
    (place / "My Track Day" / "one.gpx").write_text("<gpx/>")
    (place / "My Track Day" / "two.gpx").write_text("<gpx/>")
    (library.folder / "old.nmea").write_text("$GPRMC")
    (place / "photo.jpg").write_text("")
    made(library)
    offered = library.folders.offered()
    assert [(item["word"], len(item["files"])) for item in offered] == [
        ("old.nmea", 0),
        ("sessions/Heat 1, wet.CSV", 0),
        ("sessions/My Track Day", 2),
    ]
    names = [library.folders.take_in(item["word"]) for item in offered]
    assert library.folders.offered() == []
    assert library.session(names[1])["recordings"] == [{"file": "recording-1.csv", "name": "Heat 1, wet.CSV"}]
    assert library.session(names[2])["joined"] is True
    assert not (place / "My Track Day").exists()
    for word in ("sessions/Heat 1, wet.CSV", "../x", "sessions/../x", "photo.jpg"):
        with pytest.raises(InputError, match="not there any more"):
            library.folders.take_in(word)


def test_a_session_whose_folder_was_renamed_by_hand_is_found_again(library):
    name = made(library, driver="Ilse")
    library.session_folder(name).rename(library.folder / "sessions" / "Sunday (wet)")
    assert library.folders.all() == ([], [])
    (offer,) = library.folders.offered()
    assert (offer["word"], offer["session"]) == ("sessions/Sunday (wet)", True)
    assert library.folders.take_in(offer["word"]) == "sunday-wet"
    assert library.session("sunday-wet")["driver"] == "Ilse"
    assert library.folders.offered() == []


def test_an_empty_title_gives_back_the_first_name(library):
    name = made(library, "2026-05-31-practice")
    new = library.folders.rename(name, "Heat", began_from=library.session(name)["revision"])
    assert library.folders.rename(new, "", began_from=library.session(new)["revision"]) == name


def test_the_list_reads_small_files_only(library):
    """A recording of any size, a review, a strange folder: none of their content is opened."""
    for k in range(5):
        made(library, f"{k}", text="x" * 10_000)
    code = (
        "opened = set()\n"
        "def hook(event, given):\n    if event == 'open' and str(given[0]).startswith(sys.argv[1]):\n"
        "        opened.add(Path(given[0]).name)\n"
        "sys.addaudithook(hook)\nprint(len(library.sessions()), sorted(opened))"
    )
    answer = python(code, library.folder, stdout=subprocess.PIPE).communicate()[0]
    assert answer == "5 ['found.json', 'session.json']\n"


def test_two_apps_on_one_folder_keep_what_arrives_for_each(library):
    one, two = Uploads(library.folder, 1000), Uploads(library.folder, 1000)
    left = library.folder / ARRIVING / "killed" / "work"
    left.mkdir(parents=True)
    (left / "half").write_text("x")
    (library.folder / ARRIVING / "stray").write_text("x")
    one.open()
    place = next((library.folder / ARRIVING).glob("*/work"))
    (place / "arriving").write_text("x")
    two.open()
    assert (place / "arriving").exists()
    assert len(list((library.folder / ARRIVING).iterdir())) == 2
    one.close()
    two.close()
    assert list((library.folder / ARRIVING).iterdir()) == []


def test_a_kart_file_that_is_no_text_is_an_error_of_its_own(library):
    (library.folder / "karts" / "bad.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="no UTF-8 text"):
        library.read("kart", "bad")
    assert "bad" in library.names("kart")


def test_a_file_called_as_a_user_likes_is_saved_in_its_place(library):
    path = Path(library.folder / "karts" / "My Kart.toml")
    path.write_text("name = 1\n")
    at = library.read("kart", "My Kart")
    library.save("kart", "My Kart", "name = 2\n", began_from=at.revision)
    assert path.read_text() == "name = 2\n"
    assert library.save("kart", "My Kart", "name = 3\n").name == "my-kart"
    with pytest.raises(StaleError):
        library.save("kart", "my-kart", "name = 4\n")
