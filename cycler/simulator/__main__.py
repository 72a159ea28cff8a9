"""``python -m cycler.simulator --to FOLDER``: write the sample logs again."""

from __future__ import annotations

import argparse
import sys

from cycler.errors import InputError
from cycler.simulator.samples import write_samples
from cycler.simulator.scenario import SAMPLES


def main(arguments: list[str] | None = None) -> int:
    """Write the samples; 0 done, 2 input or usage."""
    parser = argparse.ArgumentParser(
        prog="python -m cycler.simulator",
        description="Writes the invented sample logs, their pack files and the truth they were made with.",
    )
    parser.add_argument("--to", required=True, metavar="FOLDER", help="folder to write to (made if missing)")
    parser.add_argument("--only", metavar="NAME", action="append", choices=[s.name for s in SAMPLES], help="only this sample (may be repeated); truth.json and README.md then tell of it alone")
    options = parser.parse_args(arguments)
    try:
        paths = write_samples(options.to, options.only, lambda sample: print(f"making {sample.name}", file=sys.stderr))
    except InputError as error:
        print(error, file=sys.stderr)
        return 2
    print("\n".join(str(path) for path in paths))
    return 0


if __name__ == "__main__":
    sys.exit(main())
