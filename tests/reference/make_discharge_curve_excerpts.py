"""Cut small excerpts from the measured discharge curves that the wheel of PyBaMM 24.1 carries.

    pip download pybamm==24.1 --no-deps
    python tests/reference/make_discharge_curve_excerpts.py pybamm-24.1-*.whl

Rows are copied as they stand, none is altered or interpolated; what is left out is told in
``tests/data/published/README.md``. Nothing of this project is imported here.
"""

from __future__ import annotations

import sys
import zipfile
from pathlib import Path

TO = Path(__file__).resolve().parent.parent / "data" / "published"
FOLDER = "pybamm/input/discharge_data/"
HEAD_S, TAIL_S = 40.0, 60.0
# Name here, name in the wheel (by its end), seconds between the rows kept in the middle; 0 keeps every row.
CURVES = (
    ("pouch_2ah28_discharge_0c1.csv", "/0.1C_discharge_U.txt", 120),
    ("pouch_2ah28_discharge_0c5.csv", "/0.5C_discharge_U.txt", 20),
    ("pouch_2ah28_discharge_1c.csv", "/1C_discharge_U.txt", 10),
    ("pouch_2ah28_discharge_2c.csv", "/2C_discharge_U.txt", 5),
    ("pouch_7ah5_discharge_1c.csv", "_1C.csv", 0),
    ("pouch_7ah5_discharge_5c.csv", "_5C.csv", 0),
)


def main(wheel: str) -> None:
    """Write every excerpt and the licence."""
    TO.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
        for target, ending, every_s in CURVES:
            name = next(n for n in names if n.startswith(FOLDER) and n.endswith(ending))
            lines = [line.replace(",", "\t").split("\t") for line in archive.read(name).decode("ascii").split("\n")]
            rows = [(a.strip(), b.strip()) for a, b in (line for line in lines if len(line) == 2)]
            last = float(rows[-1][0])
            kept = [
                row
                for row in rows
                if not every_s or float(row[0]) <= HEAD_S or float(row[0]) >= last - TAIL_S or float(row[0]) % every_s == 0
            ]
            text = "\n".join(["Time (s),Voltage (V)", *(",".join(row) for row in kept)]) + "\n"
            (TO / target).write_text(text, encoding="ascii", newline="\n")
        licence = next(n for n in names if n.endswith(".dist-info/LICENSE.txt"))
        (TO / "LICENSE-PyBaMM.txt").write_bytes(archive.read(licence))


if __name__ == "__main__":
    main(sys.argv[1])
