"""A table as CGATS.17 text, the graphic arts' form for measured colours (also ISO 28178).

Keywords and names of fields are the standard's; its own fields are declared by KEYWORD lines, as it asks. Text stands
between quotation marks, and as the standard has no sign for one inside, an apostrophe takes its place. Fields are parted by spaces, so
that a spreadsheet does not make cells of them unasked; where it is asked, the apostrophe of ``csvw.guarded`` keeps it
from running a name as a formula.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from calib import __version__
from calib.table.csvw import guarded
from calib.table.exchange.pens import Export, one_line, pens_with_colour
from calib.table.table import Reading, Table

LAB, STDEV, XYZ = ("LAB_L", "LAB_A", "LAB_B"), ("STDEV_L", "STDEV_A", "STDEV_B"), ("XYZ_X", "XYZ_Y", "XYZ_Z")
# Ours, with what each holds.
OWN = {
    "SAMPLE_NAME": "name of the marker, its id where it has none",
    "MARKER": "id of the marker",
    "MARKER_SET": "set of the marker",
    "MARKER_KIND": "ink, blender (colourless) or overlay (one ink over another)",
    "LAYERS": "coats of ink",
    "PAPER": "name of the paper",
    "SESSION": "date of the session, ISO 8601",
    "U_ABS": "standard uncertainty (k = 1) of the colour itself in CIEDE2000, the scanner's colour error included",
    "FLAGS": "what went wrong, empty where nothing did; 'calib flags' explains each word",
}


def cgats_text(table: Table, created: str) -> Export:
    """Return the pens of a table that have a colour as CGATS.17 text, UTF-8.

    created: the date for the keyword CREATED, ISO 8601. L*a*b* as in the table, XYZ with Y of a perfect white = 100, where missing
    computed from L*a*b* (D50, 2 degree observer). The standard knows no empty cell: STDEV_* (from u_L, u_a, u_b) and
    U_ABS are fields only where every row has them. Raises ImpossibleError where no row is left.
    """
    rows, warnings = pens_with_colour(table)
    deviations = all(None not in (row.u_L, row.u_a, row.u_b) for row in rows)
    absolute = all(row.u_abs is not None for row in rows)
    own = [name for name in OWN if name != "U_ABS" or absolute]
    fields = ["SAMPLE_ID", *own[:-1], *LAB, *(STDEV if deviations else ()), *XYZ, own[-1]]
    lines = ["CGATS.17", *_header(table, rows, created)]
    for name in own:
        lines += [f"# {name}: {OWN[name]}", f'KEYWORD "{name}"']
    if deviations:
        lines.append("# STDEV_L, STDEV_A, STDEV_B: standard uncertainty (k = 1) for comparing with")
        lines.append("# another table from the same scanner, scatter of the colouring hand included")
    lines += [f"NUMBER_OF_FIELDS {len(fields)}", "BEGIN_DATA_FORMAT", " ".join(fields), "END_DATA_FORMAT"]
    lines += [f"NUMBER_OF_SETS {len(rows)}", "BEGIN_DATA"]
    for sample, row, xyz in zip(_samples(rows), rows, _xyz(rows), strict=True):
        values = {"SAMPLE_ID": _quoted(sample), **_values(row, xyz)}
        lines.append(" ".join(values[name] for name in fields))
    lines.append("END_DATA")
    text = "\n".join(lines) + "\n"
    unknown = [
        name for name, known in (("STDEV_L, STDEV_A, STDEV_B", deviations), ("U_ABS", absolute)) if not known
    ]
    if unknown:
        warnings += (f"without the fields {' and '.join(unknown)}: not every row has that uncertainty",)
    if not text.isascii():
        warnings += (
            "names hold letters beyond plain ASCII, written as UTF-8; old programs may show them wrongly",
        )
    return Export(text.encode("utf-8"), len(rows), warnings)


def _header(table: Table, rows: Sequence[Reading], created: str) -> Iterator[str]:
    device = "camera" if all("photo" in row.flags for row in rows) else "flatbed scanner"
    model = table.origin.scanner.get("model")
    yield f'ORIGINATOR "calib {__version__}"'
    yield 'FILE_DESCRIPTOR "Measured colours of hand-coloured marker swatches"'
    yield f"CREATED {_quoted(created)}"
    yield f"INSTRUMENTATION {_quoted(device + (f', colour model {model}' if model else ''))}"
    yield f'MEASUREMENT_SOURCE "lamp of the {device}, colours computed for D50"'
    yield f'MEASUREMENT_GEOMETRY "reflection, {device}"'
    yield 'WEIGHTING_FUNCTION "ILLUMINANT,D50;OBSERVER,2 degree"'
    papers = list(dict.fromkeys(row.paper for row in rows))
    yield f"PRINT_CONDITIONS {_quoted('alcohol marker laid by hand on ' + ', '.join(papers)[:300])}"
    yield 'SAMPLE_BACKING "na"'


def _samples(rows: Sequence[Reading]) -> list[str]:
    """Return the ids of samples, which a reader finds them by: marker and coats, else the number in the file."""
    names = [_clean(f"{row.marker}-{row.layers}") for row in rows]
    return names if len(set(names)) == len(names) else [str(number) for number in range(1, len(rows) + 1)]


def _xyz(rows: Sequence[Reading]) -> list[Sequence[float]]:
    found: list[Sequence[float]] = []
    for row in rows:
        if row.X is None or row.Y is None or row.Z is None:
            from calib.colour.colorimetry import lab_to_xyz

            found.append([float(value) for value in 100 * lab_to_xyz(row.lab or ())])
        else:
            found.append((row.X, row.Y, row.Z))
    return found


def _values(row: Reading, xyz: Sequence[float]) -> dict[str, str]:
    text = {
        "SAMPLE_NAME": row.name or row.marker,
        "MARKER": row.marker,
        "MARKER_SET": row.set,
        "MARKER_KIND": row.kind,
        "PAPER": row.paper,
        "SESSION": row.session,
        "FLAGS": " ".join(row.flags),
    }
    numbers = zip(
        (*LAB, *STDEV, *XYZ, "U_ABS"),
        (*(row.lab or ()), row.u_L, row.u_a, row.u_b, *xyz, row.u_abs),
        strict=True,
    )
    return {
        **{name: _quoted(value) for name, value in text.items()},
        # Adding zero turns -0.0 into 0.0.
        **{name: f"{round(value, 4) + 0.0:.4f}" for name, value in numbers if value is not None},
        "LAYERS": str(row.layers),
    }


def _clean(text: str) -> str:
    return guarded(one_line(text).replace('"', "'"))


def _quoted(text: str) -> str:
    return f'"{_clean(text)}"'
