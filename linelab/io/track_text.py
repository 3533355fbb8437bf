"""Text of a track file: read whole, with the faults of files that are no text named."""

from __future__ import annotations

from pathlib import Path

from linelab.errors import FileFormatError
from linelab.io.recordings_checks import PACKED

#: Larger files are no track: a kilometre surveyed each centimetre has 20 MB [bytes].
MAX_BYTES = 64 * 2**20


def read_text(path: str | Path, expected: str) -> str:
    """Read a UTF-8 text file (a byte order mark is accepted).

    Parameters
    ----------
    path : str or Path
    expected : str
        What the file should be, for messages: "GeoJSON".

    Raises
    ------
    FileFormatError
        Missing, a folder, empty, too large, binary or in another encoding.
    """
    file = Path(path)
    if not file.exists():
        raise FileFormatError("no such file", path=path, remedy="Check the name and the folder")
    if file.is_dir():
        raise FileFormatError("this is a folder", path=path, remedy=f"Give a {expected} file in it")
    if file.stat().st_size > MAX_BYTES:
        raise FileFormatError(f"larger than {MAX_BYTES // 2**20} MB", path=path, remedy="Give a file with one track")
    try:
        raw = file.read_bytes()
    except OSError as error:
        raise FileFormatError(
            f"cannot be read ({error.strerror})", path=path, remedy="Check its access rights"
        ) from error
    if not raw.strip():
        raise FileFormatError("the file is empty", path=path, remedy=f"Export the {expected} again")
    if raw.startswith(PACKED):
        raise FileFormatError(
            "this is a packed file", path=path, expected=f"{expected} text", remedy="Unpack it and name the file inside"
        )
    if b"\0" in raw[:4096]:
        raise FileFormatError(
            "this is a binary file", path=path, expected=f"{expected} text", remedy=f"Export the track as {expected}"
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise FileFormatError(
            "this is not UTF-8 text",
            path=path,
            line=line,
            expected=f"{expected} in UTF-8",
            remedy=f"Save the file as {expected} with UTF-8 encoding",
        ) from error
