"""Laps as one table, for spreadsheets and data frames: CSV and Parquet, units in the columns' names."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from linelab.io.atomic import replacing
from linelab.lap import lap_columns
from linelab.report.exports_lines import Export
from linelab.report.tables import csv_text
from linelab.units import Array


def lap_table(export: Export) -> dict[str, list[Any] | Array]:
    """All laps as one table: the columns of :func:`linelab.lap.lap_columns` after ``lap`` and ``kind``, then longitude
    and latitude and the standard deviations, NaN where there are none."""
    parts = []
    for line in export.lines:
        size = line.lap.t.size
        nothing = np.full(size, np.nan)
        parts.append(
            {
                "lap": [line.lap.label or line.kind] * size,
                "kind": [line.kind] * size,
                **lap_columns(line.lap),
                "lon_deg": line.place[:, 0] if line.place.size else nothing,
                "lat_deg": line.place[:, 1] if line.place.size else nothing,
                "n_sigma_m": nothing if line.sigma_n is None else line.sigma_n,
                "v_sigma_mps": nothing if line.sigma_v is None else line.sigma_v,
            }
        )
    table: dict[str, list[Any] | Array] = {}
    for name, first in parts[0].items():
        if isinstance(first, list):
            table[name] = [word for part in parts for word in part[name]]
        else:
            table[name] = np.concatenate([np.asarray(part[name]) for part in parts])
    return table


def laps_csv(export: Export) -> str:
    """The table of :func:`lap_table` as CSV (RFC 4180) under comment lines that start with '#'; gaps are empty."""
    table = lap_table(export)
    shown = [
        values
        if isinstance(values, list)
        else ["" if v != v else f"{v:.9g}" if name.endswith("_deg") else f"{v:.7g}" for v in values.tolist()]
        for name, values in table.items()
    ]
    return csv_text([list(table), *zip(*shown)], (export.title, *export.notes))


def save_parquet(target: Path, export: Export) -> None:
    """The table of :func:`lap_table` as Parquet; title and notes are in the file's metadata."""
    import pyarrow
    import pyarrow.parquet

    table = pyarrow.table({name: pyarrow.array(values, from_pandas=True) for name, values in lap_table(export).items()})
    about = {"title": export.title, "notes": "\n".join(export.notes)}
    with replacing(target) as temporary:
        pyarrow.parquet.write_table(table.replace_schema_metadata(about), temporary, compression="zstd")
