"""Makes the sample logs and writes them with their pack files, truth and README."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np

from cycler.errors import InputError, Location
from cycler.simulator.bench import Bench, Readings, draw_bench
from cycler.simulator.dialects import to_bytes
from cycler.simulator.recording import record
from cycler.simulator.scenario import SAMPLES, PackLabel, Sample
from cycler.simulator.solution import Solution, run_program
from cycler.simulator.truth import CONVENTIONS, sample_truth

TRUTH_SCHEMA = "cycler.sample_truth/1"


def simulate(sample: Sample) -> tuple[Solution, Bench, Readings]:
    """True course, bench and readings of one sample test."""
    bench = draw_bench(sample.label.limits, sample.label.series, sample.bench_seed)
    solution = run_program(sample.model, sample.program, bench)
    return solution, bench, record(solution, sample.program, bench, sample.seed)


def sample_files(sample: Sample) -> tuple[dict[str, bytes], dict[str, Any]]:
    """File contents by name, and the truth of one sample. Always the same bytes."""
    solution, bench, readings = simulate(sample)
    if sample.split_after_charge_s is None:
        parts = [readings]
    else:
        last, first = sample.split_after_charge_s
        charge_end = next(step.end_s for step in solution.steps if step.kind == "charge_cv")
        parts = [readings.rows(readings.time_s < charge_end + last), readings.rows(readings.time_s > charge_end + first)]
    files = {
        name: to_bytes(sample.dialect, part, sample.started_at) for name, part in zip(sample.files, parts, strict=True)
    }
    truth = sample_truth(sample, solution, bench)
    truth["rows"] = [int(part.time_s.size) for part in parts]
    return files, truth


_END_WORDS = {
    "pack_cutoff": "the pack's cut-off", "group_cutoff": "a group's cut-off", "protection_trip": "the protection board",
    "set_by_program": "the operator",
}


def _plain(value: float) -> str:
    return np.format_float_positional(value, trim="0")


def pack_toml(label: PackLabel, bench: str = "") -> str:
    """PACK.toml of a sample pack; ``bench`` names the instrument, so that runs on one bench share its errors."""
    lines = [
        f"# {label.words}", "# Invented for the sample logs; no real pack.", f'id = "{label.id}"',
        f'chemistry = "{label.chemistry}"', f"series = {label.series}", f"parallel = {label.parallel}",
        f"rated_capacity_ah = {_plain(label.rated_capacity_ah)}",
        f"rated_energy_wh = {_plain(round(label.rated_capacity_ah * label.nominal_v, 1))}",
        f"charge_voltage_v = {_plain(label.charge_voltage_v)}", f"cutoff_voltage_v = {_plain(label.cutoff_voltage_v)}",
        f"group_charge_voltage_v = {_plain(label.group_charge_voltage_v)}",
    ]
    if label.group_cutoff_voltage_v is not None:
        lines.append(f"group_cutoff_voltage_v = {_plain(label.group_cutoff_voltage_v)}")
    limits = label.limits
    lines += [
        f"taper_current_a = {_plain(label.taper_current_a)}",
        f"max_charge_current_a = {_plain(label.max_charge_current_a)}",
        f"max_discharge_current_a = {_plain(label.max_discharge_current_a)}", "",
        "[instrument]  # limits of error of the bench, half-widths", *([f'id = "{bench}"'] if bench else []),
        f"voltage_gain = {_plain(limits.voltage_gain)}", f"voltage_offset_v = {_plain(limits.voltage_offset_v)}",
        f"group_voltage_gain = {_plain(limits.group_voltage_gain)}",
        f"group_voltage_offset_v = {_plain(limits.group_voltage_offset_v)}",
        f"current_gain = {_plain(limits.current_gain)}", f"current_offset_a = {_plain(limits.current_offset_a)}",
        f"temperature_offset_c = {_plain(limits.temperature_offset_c)}", f"clock_gain = {_plain(limits.clock_gain)}",
        f'sense = "{"two-wire" if limits.lead_ohm else "four-wire"}"', f"lead_resistance_ohm = {_plain(limits.lead_ohm)}",
    ]
    return "\n".join(lines) + "\n"


def truth_json(truths: dict[str, dict[str, Any]]) -> str:
    """Text of truth.json."""
    document = {
        "schema": TRUTH_SCHEMA, "note": "All data are invented; made by python -m cycler.simulator.",
        "conventions": CONVENTIONS, "logs": truths,
    }
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False, sort_keys=False) + "\n"


def readme_text(truths: dict[str, dict[str, Any]], sizes: dict[str, int]) -> str:
    """README.md of the sample folder."""
    rows = []
    for truth in truths.values():
        discharge = truth["discharge"]
        resistance = truth["edge_resistance"]
        size = " + ".join(f"{sizes[file] / 1000:.0f} kB" for file in truth["files"])
        bound = "at least " if discharge["is_lower_bound"] else ""
        rows.append(
            f"| {' + '.join(f'`{file}`' for file in truth['files'])} ({size}) | `{truth['pack_file']}` | {truth['dialect']} | "
            f"{truth['story']} | {bound}{discharge['delivered_with_pulses_ah']:.3f} Ah at {discharge['rate_it']:.2f} It, ended by "
            f"{_END_WORDS[discharge['end_reason']]}; R after 10 s {1000 * resistance['pack']['ohm_10s']:.1f} mΩ | "
            f"{truth['expected']['verdict'].replace('_', ' ')}: {truth['expected']['why']} |"
        )
    table = "\n".join(rows)
    return f"""# Sample logs

**All data in this folder are invented.** They come from a small simulator in this project and play in a made-up
workshop that refurbishes e-bike, cargo-bike and mobility-scooter packs. No pack, bench or person behind them is real,
and the file layouts are made up too: they follow no instrument's format.

Caution: with real packs, fire, stored energy and short circuit can injure, and damaged cells fall under dangerous-goods
rules: follow the maker's limits, local codes and licensed practice; no figure here or from a log is a safety certificate.

## How they were made

Each series group is an open-circuit voltage curve (NMC or LFP, our own table), an ohmic part, two RC branches, its own
capacity, its own charge at the start, a joint resistance and a leak; the pack adds the connection between the groups and the
terminals, one lumped temperature and, in one log, a protection board. A bench runs a test program (rest, constant current
then constant voltage, pulses, discharge to a cut-off), controls it by its own readings and logs samples at its own clock:
a switch may fall between two samples. Gain and offset of every channel were drawn once per bench, evenly inside the limits
that the pack file states under `[instrument]`; noise and rounding come on top.

`python -m cycler.simulator --to sample_logs` writes everything again, byte for byte the same.

What the simulator leaves out: the resistances do not depend on charge, temperature or current; there is no hysteresis and no
relaxation slower than a few minutes (an LFP group therefore rests nearer to its charging voltage than real ones do); the
leak is a constant current.

## The logs

`truth.json` holds the true values of every log (its `conventions` say what each key means). Capacities below are the charge
truly taken since the end of the charge, pulses included.

| file | pack file | dialect | story | truth | a repairer would say |
|---|---|---|---|---|---|
{table}

## What stands beside the logs

In the project's own folder, written by hand or by its tests, and invented like the rest: `jobs/` holds the bench sheets of four packs as they came in (a
board fault, a dead group, a broken sense lead that looks like one, a deep-discharged pack), `jobs/connectors/` the plugs of a harness and of three
donor boards, `stock/cells-invented.csv` 440 harvested cells (`python -m tests.matching.stock` writes it again), `equipment.toml` what stands on a bench.
"""


def write_samples(
    folder: str | Path, names: Iterable[str] | None = None, progress: Callable[[Sample], None] | None = None
) -> list[Path]:
    """Write sample logs, their pack files, truth.json and README.md.

    Parameters
    ----------
    folder : path
        Made if missing; files of the same name are overwritten.
    names : iterable of str, optional
        Only these samples (truth.json and README.md then tell of these alone).
    progress : callable, optional
        Called with each sample before it is made.

    Returns
    -------
    list of Path
        The log files, in the order of ``SAMPLES``.

    Raises
    ------
    InputError
        A name is unknown, or the folder cannot be written.
    """
    folder = Path(folder)
    wanted = None if names is None else set(names)
    known = {sample.name for sample in SAMPLES}
    if wanted is not None and wanted - known:
        raise InputError(
            f"unknown sample {', '.join(sorted(wanted - known))}", "names", "it is not one of the invented tests",
            f"known: {', '.join(sorted(known))}",
        )
    written: list[Path] = []
    truths: dict[str, dict[str, Any]] = {}
    sizes: dict[str, int] = {}
    try:
        (folder / "packs").mkdir(parents=True, exist_ok=True)
        for sample in SAMPLES:
            if wanted is not None and sample.name not in wanted:
                continue
            if progress is not None:
                progress(sample)
            files, truths[sample.name] = sample_files(sample)
            for name, content in files.items():
                (folder / name).write_bytes(content)
                sizes[name] = len(content)
                written.append(folder / name)
            (folder / sample.pack_file).write_bytes(pack_toml(sample.label, sample.bench_name).encode())
        (folder / "truth.json").write_bytes(truth_json(truths).encode())
        (folder / "README.md").write_bytes(readme_text(truths, sizes).encode())
    except OSError as error:
        raise InputError(
            "cannot write the sample logs", Location(str(folder)), error.strerror or "write error",
            "name a folder you may write to",
        ) from None
    return written
