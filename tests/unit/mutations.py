"""Damaged recordings: small files of every format and a seeded source of mutations of their bytes."""

from __future__ import annotations

import functools
import json
import operator
import random

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
