"""Headings to roles and units. Spellings are trade usage in six languages (common practice, no source) unless said."""

from __future__ import annotations

import pytest

from cycler.errors import InputError
from cycler.readers import load_columns, parse_columns, read_log_bytes
from cycler.readers.names import classify_name, mode_of
from tests.readers.writing import Dialect, assert_agrees, invented_test, write_log

HEADINGS = [
    # heading, role, unit, number of the group or sensor
    ("Time(s)", "time", "s", None),
    ("Test Time / s", "time", "s", None),            # ISO 80000-1, 7.1: 'quantity / unit' (clause from memory)
    ("Voltage / V", "voltage", "V", None),
    ("Q/(mA h)", "capacity", "mAh", None),
    ("T/°C", "temperature", "degC", None),
    ("U/mV", "voltage", "mV", None),
    ("current_mA", "current", "mA", None),
    ("Spannung [V]", "voltage", "V", None),
    ("Packspannung", "voltage", None, None),
    ("Voltage_measured", "voltage", None, None),
    ("Amp-Hours", "capacity", "Ah", None),
    ("Watt-Hours", "energy", "Wh", None),
    ("Cell Voltage A3", "group_voltage", None, 3),
    ("group_3_mV", "group_voltage", "mV", 3),
    ("Zelle 01", "group_voltage", None, 1),
    ("Zellspannung 4 (mV)", "group_voltage", "mV", 4),
    ("U1", "group_voltage", None, 1),
    ("V_cell_3", "group_voltage", None, 3),
    ("Cellule 3 (V)", "group_voltage", "V", 3),
    ("Tap 3 (V)", "tap_voltage", "V", 3),
    ("Abgriff 2", "tap_voltage", None, 2),
    ("Max cell voltage (V)", "ignored", "V", None),
    ("Strom in mA", "current", "mA", None),
    ("Courant (A)", "current", "A", None),
    ("Corriente_A", "current", "A", None),
    ("Corrente [A]", "current", "A", None),
    ("Stroom (A)", "current", "A", None),
    ("Ladestrom (A)", "charge_current", "A", None),
    ("Entladestrom (A)", "discharge_current", "A", None),
    ("Courant de décharge (A)", "discharge_current", "A", None),
    ("Kapazität (mAh)", "capacity", "mAh", None),
    ("Kapazitaet/mAh", "capacity", "mAh", None),
    ("Ladungszähler (mAh)", "capacity", "mAh", None),
    ("Charge (Ah)", "capacity", "Ah", None),
    ("Charge Capacity [mAh]", "charge_capacity", "mAh", None),
    ("Discharge_Capacity(Ah)", "discharge_capacity", "Ah", None),
    ("Ah out", "discharge_capacity", "Ah", None),
    ("Capacity in step (mAh)", "capacity", "mAh", None),
    ("Capacité-mAh", "capacity", "mAh", None),
    ("Energie (Wh)", "energy", "Wh", None),
    ("Leistung W", "power", "W", None),
    ("Temp 1 (°F)", "temperature", "degF", 1),
    ("Cell temp 1", "temperature", None, 1),
    ("Temperature A1", "temperature", None, 1),
    ("Temps (s)", "time", "s", None),
    ("elapsed_ms", "time", "ms", None),
    ("Zeit hh:mm:ss", "time", "hh:mm:ss", None),
    ("Date", "date", None, None),
    ("Uhrzeit", "clock", None, None),
    ("Date/Time", "clock", None, None),
    ("Timestamp", "clock", None, None),
    ("Step", "step", None, None),
    ("StepTime(s)", "step", "s", None),
    ("Schrittzeit (s)", "step", "s", None),
    ("Time in step (s)", "step", "s", None),
    ("cycle_idx", "cycle", None, None),
    ("Betriebsart", "mode", None, None),
    ("Innenwiderstand (mΩ)", "resistance", "mohm", None),
    ("VoltagemV", "voltage", "mV", None),
    ("PackV", "voltage", "V", None),
    ("dV/dt", "ignored", None, None),
    ("SOC (%)", "ignored", "%", None),
    ("Loop", "ignored", None, None),
    ("Time ² (s)", "time", "s", None),               # a raised digit is no number
]  # fmt: skip


@pytest.mark.parametrize(("heading", "role", "unit", "number"), HEADINGS)
def test_classify_name_of_heading(heading, role, unit, number):
    reading = classify_name(heading)
    assert reading.role == role
    assert (reading.unit.symbol if reading.unit else None) == unit
    if number is not None:
        assert reading.number == number


@pytest.mark.parametrize(
    ("word", "mode"),
    [
        ("CHRG", "charge"), ("DCHG", "discharge"), ("REST", "rest"), ("Laden", "charge"), ("Entladen", "discharge"),
        ("Ruhe", "rest"), ("Charge", "charge"), ("Décharge", "discharge"), ("Repos", "rest"), ("Carga", "charge"),
        ("Descarga", "discharge"), ("Reposo", "rest"), ("Carica", "charge"), ("Scarica", "discharge"), ("Riposo", "rest"),
        ("Opladen", "charge"), ("Ontladen", "discharge"), ("Rust", "rest"), ("CC_Chg", "charge"), ("CC-Entladung", "discharge"),
        ("Puls", None), ("OK", None),
    ],
)  # fmt: skip
def test_mode_of_word(word, mode):
    assert mode_of(word) == mode


def _rewritten(heading: str, cells) -> bytes:
    """The invented test with one more column."""
    lines = write_log(invented_test(5), Dialect()).decode().split("\n")[:-1]
    return "\n".join([f"{lines[0]},{heading}"] + [f"{line},{cell}" for line, cell in zip(lines[1:], cells)]).encode() + b"\n"


def test_read_log_with_measured_and_load_current_takes_the_plain_one():
    truth = invented_test(5)
    log = read_log_bytes(_rewritten("Load current (A)", [f"{-3 * value:.3f}" for value in truth.current_a]), "log.csv")
    assert_agrees(log, truth, Dialect())
    ignored = next(item for item in log.reading.columns if item.name == "Load current (A)")
    assert ignored.role == "ignored" and "Current (A)" in ignored.evidence


def test_read_log_with_duplicate_names_of_no_role_reads_the_rest():
    raw = write_log(invented_test(5), Dialect()).decode().split("\n")[:-1]
    raw = "\n".join([raw[0] + ",Loop,Loop,Loop"] + [line + ",1,1,1" for line in raw[1:]]) + "\n"
    assert_agrees(read_log_bytes(raw.encode(), "log.csv"), invented_test(5), Dialect())


def _columns(tmp_path, text: str):
    path = tmp_path / "columns.toml"
    path.write_text(text, encoding="utf-8")
    return load_columns(path)


def test_columns_file_names_roles_by_name_and_position(tmp_path):
    truth = invented_test(6)
    raw = write_log(truth, Dialect()).decode().replace("Voltage (V)", "Alpha").replace("Current (A)", "Beta").encode()
    columns = _columns(
        tmp_path,
        '[[column]]\nname = "Alpha"\nrole = "voltage"\nunit = "V"\n\n'
        '[[column]]\nposition = 3\nrole = "current"\nunit = "A"\nsign = "charge_positive"\n',
    )
    log = read_log_bytes(raw, "log.csv", columns)
    assert_agrees(log, truth, Dialect())
    assert log.reading.sign_evidence == "stated in the columns file"


def test_columns_file_reads_a_log_without_headings(tmp_path):
    truth = invented_test(6, groups=2)
    raw = write_log(truth, Dialect(with_capacity=False, with_temperature=False)).split(b"\n", 1)[1]
    columns = _columns(
        tmp_path,
        "header_row = 0\n"
        + "".join(
            f'[[column]]\nposition = {position}\nrole = "{role}"\nunit = "{unit}"\n'
            for position, (role, unit) in enumerate(
                [("time", "s"), ("voltage", "V"), ("current", "A"), ("group_voltage", "V"), ("group_voltage", "V")], 1
            )
        ),
    )
    assert_agrees(read_log_bytes(raw, "log.csv", columns), truth, Dialect(with_capacity=False, with_temperature=False))


def test_columns_file_with_sign_flips_the_current(tmp_path):
    truth = invented_test(6)
    columns = _columns(tmp_path, '[[column]]\nname = "Current (A)"\nsign = "discharge_positive"\n')
    log = read_log_bytes(write_log(truth, Dialect(current_style="inverse")), "log.csv", columns)
    assert abs(log.current_a - truth.current_a).max() < 1e-9
    assert (log.reading.discharge_is, log.reading.sign_evidence) == ("positive", "stated in the columns file")


def test_columns_file_with_a_sign_that_the_voltage_refutes_is_refused_with_both_sides(tmp_path):
    # Passive-sign reference: the voltage of a cell falls when a discharge begins, whatever anybody states.
    columns = _columns(tmp_path, '[[column]]\nname = "Current (A)"\nsign = "discharge_positive"\n')
    with pytest.raises(InputError) as caught:
        read_log_bytes(write_log(invented_test(6), Dialect()), "log.csv", columns)
    assert "contradict" in caught.value.what and "discharge is positive; but the voltage steps with the current" in caught.value.why


@pytest.mark.parametrize(
    ("text", "what", "line"),
    [
        ('delimeter = ";"\n', 'unknown key "delimeter"', 1),
        ('[[column]]\nname = "U"\nrole = "volt"\n', 'unknown role "volt"', 1),
        ('[[column]]\nname = "U"\nrole = "voltage"\nunit = "furlong"\n', 'unknown unit "furlong"', 1),
        ('[[column]]\nname = "U"\nrole = "voltage"\nunit = "mA"\n', 'unit "mA" does not fit role voltage', 1),
        ('decimal = ","\n\n[[column]]\nrole = "voltage"\n', "a [[column]] block names no column", 3),
        ('clock = "sundial"\n', 'unknown clock "sundial"', 1),
        ("header_row = -1\n", "header_row is not a line number", 1),
        ('[[column]]\nname = "U"\nsign = "sideways"\n', 'unknown sign "sideways"', 1),
    ],
)  # fmt: skip
def test_load_columns_with_mistake_says_file_and_line(tmp_path, text, what, line):
    with pytest.raises(InputError) as error:
        _columns(tmp_path, text)
    assert error.value.what == what
    assert error.value.where.line == line


def test_columns_file_with_unknown_heading_offers_near_ones(tmp_path):
    columns = _columns(tmp_path, '[[column]]\nname = "Voltege (V)"\nrole = "voltage"\n')
    with pytest.raises(InputError) as error:
        read_log_bytes(write_log(invented_test(6), Dialect()), "log.csv", columns)
    assert "Voltage (V)" in error.value.mend


def test_parse_columns_from_text_equals_the_file(tmp_path):
    from cycler.readers import load_columns, parse_columns

    text = 'delimiter = "semicolon"\n\n[[column]]\nname = "x"\nrole = "voltage"\nunit = "V"\n'
    path = tmp_path / "columns.toml"
    path.write_text(text, encoding="utf-8")
    assert parse_columns(text, str(path)) == load_columns(path)


@pytest.mark.parametrize("heading", ["Mode", "phase", "Vorgang"])
def test_words_of_the_loggers_own_making_are_ignored_and_the_evidence_says_so(heading):
    words = {0: "pause", 1: "fill", -1: "drain"}
    log = read_log_bytes(_rewritten(heading, [words[int(code)] for code in invented_test(5).mode]), "log.csv")
    column = log.reading.columns[-1]
    assert column.role == "ignored" and log.mode_code is None
    assert column.evidence == 'its words name neither charge nor discharge: "fill", "drain"'
    assert_agrees(log, invented_test(5), Dialect())


@pytest.mark.parametrize("heading", ["phase", "Ablauf", "Step"])
def test_words_for_charge_rest_and_discharge_are_the_mode_under_any_heading(heading):
    words = {0: "idle", 1: "charging", -1: "loading"}
    log = read_log_bytes(_rewritten(heading, [words[int(code)] for code in invented_test(5).mode]), "log.csv")
    assert log.reading.columns[-1].role == "mode"
    assert log.mode_words == ("idle", "charging", "loading")


def test_no_column_of_a_sample_log_is_ignored():
    from pathlib import Path

    from cycler.readers import read_log

    paths = sorted((Path(__file__).parent.parent.parent / "sample_logs").glob("*.csv"))
    assert len(paths) > 5
    for path in paths:
        assert [c.name for c in read_log(path).reading.columns if c.role == "ignored"] == [], path.name


def test_current_in_coarse_steps_is_kept_as_written():
    # Steps of 0.1 A, as a cheap meter prints them: no smoothing, no resampling.
    truth = invented_test(5)
    lines = write_log(truth, Dialect(with_capacity=False)).decode().split("\n")
    place = lines[0].split(",").index("Current (A)")
    coarse = [f"{current:.1f}" for current in truth.current_a]
    rows = []
    for line, cell in zip(lines[1:], coarse):
        fields = line.split(",")
        fields[place] = cell
        rows.append(",".join(fields))
    log = read_log_bytes("\n".join([lines[0], *rows, ""]).encode(), "log.csv")
    assert log.current_a.tolist() == [float(cell) for cell in coarse]


def _bare(headings, columns):
    return "\n".join([",".join(headings), *(",".join(map(str, row)) for row in zip(*columns))]).encode()


TRUTH = invented_test(4)
BARE = {"Time (s)": TRUTH.time_s, "Voltage": TRUTH.voltage_v, "Current": TRUTH.current_a, "Note": ["ok"] * TRUTH.time_s.size}


@pytest.mark.parametrize(("toml", "what", "why"), [
    ('[[column]]\nname = "Note"\nrole = "current"\nunit = "A"\n', 'states "Note" as current', 'no numbers, such as "ok"'),
    ('[[column]]\nname = "Note"\nrole = "voltage"\n', 'states "Note" as voltage', "no numbers"),
    ('[[column]]\nname = "Note"\nrole = "temperature"\n', 'states "Note" as temperature', "no numbers"),
    ('[[column]]\nname = "Note"\nrole = "group_voltage"\n', 'states "Note" as group_voltage', "no numbers"),
    ('[[column]]\nname = "Voltage"\nrole = "voltage"\n[[column]]\nname = "Current"\nrole = "voltage"\n', "two columns as voltage", '"Voltage" and "Current"'),
    ('[[column]]\nname = "Voltage"\nunit = "mAh"\n', 'the unit "mAh" for "Voltage"', "read as voltage"),
    ('[[column]]\nname = "Voltage"\nrole = "voltage"\n[[column]]\nname = "voltage"\nunit = "V"\n', '"voltage" twice', "has that heading once"),
    ('[[column]]\nname = "Voltage"\nposition = 3\nrole = "voltage"\n', 'names column 3 "Voltage"', 'it is "Current"'),
    ('clock = "wall"\n', 'no time that fits clock = "wall"', '"Time (s)"'),
])  # fmt: skip
def test_columns_file_that_cannot_be_is_told_in_one_message(toml, what, why):
    with pytest.raises(InputError) as caught:
        read_log_bytes(_bare(BARE, BARE.values()), "log.csv", parse_columns(toml, "c.toml"))
    assert what in caught.value.what and why in caught.value.why and caught.value.mend


@pytest.mark.parametrize("sign", ["[]", "{}", "true", "1.5", "2"])
def test_sign_that_is_none_is_refused(sign):
    with pytest.raises(InputError, match="unknown sign"):
        parse_columns(f'[[column]]\nname = "I"\nsign = {sign}\n', "c.toml")


def test_stated_unit_unlike_the_readings_is_read_with_a_warning():
    # 2 A written as 2 under a heading without a unit: stated as mA, as it was right for the last log in milliamperes.
    milli = parse_columns('[[column]]\nname = "Current"\nrole = "current"\nunit = "mA"\n', "c.toml")
    log = read_log_bytes(_bare(BARE, BARE.values()), "log.csv", milli)
    assert abs(log.current_a).max() == pytest.approx(abs(TRUTH.current_a).max() / 1000)
    assert {"unit_unusual"} <= {item.code for item in log.reading.warnings}
    ampere = parse_columns('[[column]]\nname = "Current"\nrole = "current"\nunit = "A"\n', "c.toml")
    assert not {"unit_unusual", "unit_doubtful"} & {item.code for item in read_log_bytes(_bare(BARE, BARE.values()), "log.csv", ampere).reading.warnings}


def test_current_of_values_that_cannot_be_is_no_current():
    wild = BARE | {"Current (A)": TRUTH.current_a * 0 + 3e7}
    del wild["Current"]
    with pytest.raises(InputError, match="holds no readings"):
        read_log_bytes(_bare(wild, wild.values()), "log.csv")


@pytest.mark.parametrize("heading", ["Channel A", "Kanal A", "Kanal V", "Input C", "CH A", "canale_A"])
def test_letter_of_an_input_is_no_unit(heading):
    found = classify_name(heading, "")
    assert (found.role, found.unit) == ("ignored", None)
