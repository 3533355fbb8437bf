"""What all tests share."""

import os
import signal
from pathlib import Path

import pytest

# Tests run side by side: linear algebra on two threads each would only make them wait for one another.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@pytest.fixture
def interruptible():
    """Ctrl-C as a terminal has it: what starts the suite in the background has it ignored, which children inherit."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the demo's review."""
    from shared import demo_review

    from linelab.output.review_report import save_review

    folder = tmp_path_factory.mktemp("demo") / "review"
    save_review(demo_review(), folder)
    return folder


@pytest.fixture(scope="session")
def small_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three laps of a slow kart on the shortest bundled track, as a receiver logs them: the cheapest to review."""
    from shared import solved

    from linelab.drive.driver import drive_session
    from linelab.drive.faults import Habits, LatePower
    from linelab.drive.receiver import Receiver, record
    from linelab.files.kart_file import load_kart
    from linelab.files.recordings.table import save_recording
    from linelab.files.tracks.track_file import load_track

    names = ("tinmarsh_rental", "rental-four-stroke")
    track, kart, habits = load_track(names[0]), load_kart(names[1]), Habits(faults=(LatePower(corner=3, metres=10.0),))
    driven = drive_session(track, kart, solved(*names).lap, habits, laps=3, seed=1)
    path = tmp_path_factory.mktemp("small") / "small_session.csv"
    save_recording(record(driven, Receiver(rate=10.0, white=0.08, bias=0.25), seed=1), path, rounded=True)
    return path


@pytest.fixture(scope="session")
def coarse_session(small_session: Path) -> Path:
    """The same once a second: too coarse for habits, which take most of a review's time."""
    title, *rows = small_session.read_text(encoding="utf-8").splitlines(keepends=True)
    path = small_session.with_name("coarse_session.csv")
    path.write_text("".join([title, *rows[::10]]), encoding="utf-8")
    return path
