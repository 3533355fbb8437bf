"""Damaged files: small ones of every format read and a seeded source of mutations of their bytes and numbers."""

from __future__ import annotations

import functools
import json
import math
import operator
import random
import re
from pathlib import Path

from linelab.errors import LinelabError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.survey_import import load_centre_line, load_walked_edges
from linelab.files.tracks.track_file import load_track
from linelab.output.kart_facts import kart_facts

#: Pieces that break parsers: numbers at the edge, marks of the formats, ends of lines, bytes of other encodings.
TOKENS = [
    *b"nan inf -inf 1e308 -1e308 1e-320 0 -0.0 1_0 -1 181 91 1714557600 1714557600000 240000.00 23:59:60".split(),
    *b"2024-02-30T25:61:61Z 9999-12-31T23:59:59+23:59 0001-01-01T00:00:00+14:00 time [km/h] $GPRMC, *00".split(),
    *b"<!-- ]]> <![CDATA[ &amp; &#0; &x; <time> </trkpt> [ ] { } [[[[[[[[ null true Infinity , ; | # $ * < >".split(),
    *(b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\xe2\x80\xa8", b"\xc3", "µ°²".encode(), b"9" * 30, b"1" * 400),
    *(b"\n", b"\r", b"\r\n", b"\n\n\n", b"\t", b" ", b'"', b'"""'),
    *(b"<trkpt lat='1' lon='2'>", b"<!DOCTYPE g>", b"<?xml version='1.0' encoding='utf-16'?>"),
]


def nmea(body: str) -> str:
    """A sentence with its checksum."""
    return f"${body}*{functools.reduce(operator.xor, body.encode('ascii')):02X}"


def seeds() -> dict[str, bytes]:
    """Small sound files by name."""
    rows = [(0.1 * i, 45.0 + 1e-5 * i, 7.0 + 1e-5 * i, 36.0 + i) for i in range(12)]
    stamps = [f"2024-05-01T10:00:0{i / 10:.1f}Z" for i in range(12)]
    plain = "\n".join("{:.1f},{:.6f},{:.6f},{:.1f}".format(*row) for row in rows)
    comma = "\r\n".join("{:.1f};{:.6f};{:.6f};{:.1f}".format(*row).replace(".", ",") for row in rows)
    points = "".join(
        f'<trkpt lat="{row[1]:.6f}" lon="{row[2]:.6f}"><ele>9</ele><time>{stamp}</time><speed>10</speed>'
        f"<extensions><a:ax unit='g'>0.1</a:ax></extensions></trkpt>\n"
        for row, stamp in zip(rows, stamps)
    )
    log = "\r\n".join(
        text
        for i in range(8)
        for text in (
            nmea(f"GNRMC,10000{i}.00,A,450{i}.0000,N,00700.0000,E,10.0,90.0,010524,,,A"),
            nmea(f"GNGGA,10000{i}.00,450{i}.000012,N,00700.000012,E,1,08,0.9,100.0,M,0.0,M,,"),
            nmea("GNVTG,90.0,T,,M,10.0,N,18.5,K,A"),
            nmea(f"GNGNS,10000{i}.00,450{i}.0000,N,00700.0000,E,AAN,12,0.6,100.0,0.0,,"),
            nmea(f"GNZDA,10000{i}.00,01,05,2024,00,00"),
        )
    )
    line = {"type": "LineString", "coordinates": [[row[2], row[1], 9.0] for row in rows]}
    feature = {"type": "Feature", "properties": {"coordTimes": stamps, "speed_kmh": [36] * 12}, "geometry": line}
    return {
        "plain.csv": f"time [s],lat,lon,speed [km/h]\n{plain}\n".encode(),
        "comma.csv": f"\ufeffSession\r\n\r\nTime;Latitude;Longitude;Speed\r\ns;°;°;km/h\r\n{comma}\r\n".encode(),
        "stamps.csv": "\n".join(
            ["time,lat,lon,note,speed_kmh"]
            + [f'{stamp},{row[1]},{row[2]},"a, b",{row[3]}' for stamp, row in zip(stamps, rows)]
        ).encode(),
        "wide.csv": f"t lat lon v_kmh\n{plain.replace(',', ' ')}\n".encode("utf-16"),
        "track.gpx": f'<?xml version="1.0"?>\n<gpx version="1.1" xmlns:a="urn:a"><trk><trkseg>\n{points}'
        "</trkseg></trk></gpx>".encode(),
        "log.nmea": log.encode("ascii"),
        "line.geojson": json.dumps({"type": "FeatureCollection", "features": [feature]}).encode(),
    }


def mutate(rng: random.Random, base: bytes, others: list[bytes]) -> bytes:
    """A damaged copy of a file: one to six changes of random kinds."""
    data = bytearray(base)
    for _ in range(rng.choice((1, 1, 2, 3, 6))):
        at = rng.randrange(len(data) + 1)
        kind = rng.randrange(9)
        if kind == 0 and data:
            data[at % len(data)] ^= 1 << rng.randrange(8)
        elif kind == 1:
            data[at : at + 1] = bytes([rng.randrange(256)])
        elif kind == 2:
            del data[at : at + rng.choice((1, 2, 5, 40, 400))]
        elif kind == 3:
            data[at:at] = rng.choice(TOKENS)
        elif kind == 4:
            data[at : at + rng.randrange(12)] = rng.choice(TOKENS)
        elif kind == 5:
            piece = data[at : at + rng.choice((3, 30, 300))]
            data[at:at] = piece * rng.choice((1, 2, 20))
        elif kind == 6:
            other = rng.choice(others)
            start = rng.randrange(len(other) + 1)
            data[at:at] = other[start : start + rng.choice((8, 80, 800))]
        elif kind == 7:
            del data[at:]
        else:
            lines = bytes(data).split(b"\n")
            rng.shuffle(lines)
            data = bytearray(b"\n".join(lines))
        del data[20_000:]
    return bytes(data)


#: Numbers that are absurd somewhere: signs, sizes, digits, and what is no number.
NUMBERS = [
    *b"0 -0.0 1 -1 1e-320 1e-9 0.001 3 40 61 1e3 1e4 1e5 1e6 1e8 1e12 1e30 1e200 1e308 -1e308 1e400 nan inf".split(),
    *(b"9" * 25, b"1" * 5000, b"0x" + b"f" * 5000, b"[" * 3000, b"{a=" * 2000, b"null", b'"7"', b"[1, 2]", b"1_0", b""),
]


def mutate_numbers(rng: random.Random, base: bytes) -> bytes:
    """A copy of a file with one to four of its numbers replaced, two at times by the same."""
    found = list(re.finditer(rb"-?\d+(\.\d+)?(e-?\d+)?", base))
    data, new = bytearray(base), b""
    for match in sorted(rng.sample(found, rng.choice((1, 1, 2, 4))), key=re.Match.start, reverse=True):
        if not new or rng.random() < 0.7:
            scaled = b"%.6f" % (float(match[0]) * rng.choice((-1.0, 0.5, 1.001, 10.0, 1e3)))
            new = rng.choice((rng.choice(NUMBERS), scaled))
        data[match.start() : match.end()] = new
    return bytes(data)


def track_and_kart_seeds() -> dict[str, bytes]:
    """Small sound track and kart files by name, every format and every kind of feature."""
    turn = [2.0 * math.pi * i / 24 for i in range(24)]

    def ring(radius: float, height: bool = True) -> list[list[float]]:
        east, north = 1.0 / 78_850.0, 1.0 / 111_150.0
        return [
            [
                7.0 + east * (radius + 10.0 * math.cos(2.0 * a)) * math.cos(a),
                45.0 + north * 0.8 * radius * math.sin(a),
                *([100.0 + math.sin(a)] if height else []),
            ]
            for a in turn
        ]

    def feature(role: str, kind: str, points: object, **properties: object) -> dict[str, object]:
        geometry = {"type": kind, "coordinates": points}
        return {"type": "Feature", "properties": {"role": role, **properties}, "geometry": geometry}

    def collection(*features: dict[str, object]) -> bytes:
        return json.dumps({"type": "FeatureCollection", "features": features}).encode()

    left, right, middle = ring(40.0), ring(48.0), ring(44.0, False)
    across = [[left[0][k] for k in (0, 1)], [right[0][k] for k in (0, 1)]]
    timing = [[left[9][k] for k in (0, 1)], [right[9][k] for k in (0, 1)]]
    head = {"name": "Ring", "closed": True, "survey": "surveyed", "survey_sigma_m": 0.1}
    full = collection(
        {"type": "Feature", "properties": {"role": "track", **head}, "geometry": None},
        feature("left_edge", "LineString", left),
        feature("right_edge", "LineString", right),
        feature("start_line", "LineString", across),
        feature("timing_line", "LineString", timing),
        feature("kerb", "LineString", [p[:2] for p in left[3:6]], width_m=0.6, grip=0.9, side="left"),
        feature(
            "grip_zone", "Polygon", [[p[:2] for p in (left[9], right[9], right[10], left[10], left[9])]], factor=0.8
        ),
        feature("corner", "LineString", [p[:2] for p in middle[5:14:4]], number=1, name="Hook"),
    )
    rows = [
        (round(44.0 * math.cos(a), 2), round(36.0 * math.sin(a), 2), 3.5 + 0.5 * math.cos(a), 4.0, 1.0 + math.sin(a))
        for a in turn
    ]
    points = [
        "".join(f'<trkpt lat="{p[1]:.7f}" lon="{p[0]:.7f}"><ele>{p[2]:.2f}</ele></trkpt>\n' for p in edge)
        for edge in (left, right)
    ]
    degrees = "".join(f"{p[0]:.7f};{p[1]:.7f};8\n".replace(".", ",") for p in middle)
    kart = b'name = "K"\nmass_kg = 160\nfour_wheel_brakes = true\n[tyres]\nmu_lateral = 1.5\nmu_longitudinal = 1.4\n'
    return {
        "track.geojson": full,
        "centre.geojson": collection(feature("centre_line", "LineString", [*middle, middle[0]], width_m=8.0)),
        "widths.geojson": collection(
            feature("centre_line", "LineString", middle[:20], w_left_m=[4.0] * 20, w_right_m=[3.5] * 20, closed=False)
        ),
        "centre.csv": "\n".join(
            ["x_m,y_m,w_left_m,w_right_m,z_m", *(",".join(map(str, row)) for row in rows)]
        ).encode(),
        "degrees.csv": f"lon;lat;width [m]\n{degrees}".encode(),
        "line.gpx": f'<gpx version="1.1"><trk><trkseg>{points[0]}</trkseg></trk></gpx>'.encode(),
        "walk.gpx": "<gpx version='1.1'>{}</gpx>".format(
            "".join(f"<trk><name>{side}</name><trkseg>{p}</trkseg></trk>" for side, p in zip(("left", "right"), points))
        ).encode(),
        "walk.geojson": collection(feature("left", "LineString", left), feature("right", "LineString", right)),
        "torque.toml": kart
        + b"[engine]\ncrank_rpm = [4000, 8000, 12000]\ntorque_nm = [12, 19.5, 15]\nrev_limit_rpm = 14000\n"
        b"tyre_circumference_m = 0.86\ngearbox_ratios = [2.5, 1.8, 1.2]\nprimary_ratio = 3.5\n"
        b"axle_sprocket_teeth = 23\nengine_sprocket_teeth = 19\n[driver]\nbrake_build_rate_mps3 = 50.0\n",
        "power.toml": kart + b"[simple_drive]\npower_kw = 20.0\nmax_force_n = 900\n[air]\ncda_m2 = 0.55\n",
    }


def damaged(rng: random.Random, base: bytes, others: list[bytes]) -> bytes:
    """A damaged copy of a track or kart file: of its bytes, or of its numbers."""
    return mutate(rng, base, others) if rng.random() < 0.5 else mutate_numbers(rng, base)


def use_track_or_kart(path: Path) -> bool:
    """Read a file by its name as in :func:`track_and_kart_seeds` and work out what is shown of it; True when read."""
    kind, suffix = path.stem, path.suffix
    try:
        if suffix == ".toml":
            kart_facts(load_kart(path))
        elif kind == "walk":
            load_walked_edges(path)
        elif kind == "line" or suffix == ".csv":
            load_centre_line(path, assumed_width=7.0)
        else:
            load_track(path)
    except LinelabError as error:
        message = str(error)
        if "\n" in message or len(message) > 4000 or not message.startswith((str(path), str(path.resolve()))):
            raise AssertionError(f"a message of {len(message)} characters: {message[:300]}") from error
        return False
    return True
