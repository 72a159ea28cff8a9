"""Seeded simulator of packs and benches; makes the invented sample logs and states their truth.

Stands apart from the analysis: it imports numpy and the error classes only.
"""

from __future__ import annotations

from cycler.simulator.bench import NO_ERROR, Bench, Limits, Readings, draw_bench
from cycler.simulator.model import Board, PackModel, State, step_resistance
from cycler.simulator.ocv import LFP, NMC, OcvCurve, constant_curve
from cycler.simulator.program import Charge, Discharge, Program, Rest, pulse
from cycler.simulator.recording import record
from cycler.simulator.samples import sample_files, simulate, write_samples
from cycler.simulator.scenario import SAMPLES, PackLabel, Sample, build_model
from cycler.simulator.solution import Solution, StepTruth, run_program

__all__ = [
    "LFP", "NMC", "NO_ERROR", "SAMPLES", "Bench", "Board", "Charge", "Discharge", "Limits", "OcvCurve", "PackLabel",
    "PackModel", "Program", "Readings", "Rest", "Sample", "Solution", "State", "StepTruth", "build_model",
    "constant_curve", "draw_bench", "pulse", "record", "run_program", "sample_files", "simulate", "step_resistance",
    "write_samples",
]
