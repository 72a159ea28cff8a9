"""How the columns of the waiting logs are read, as a form with a preview: what it says becomes a columns file."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from dash import ALL, MATCH, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError, quote
from cycler.readers.columnsfile import ColumnsFile
from cycler.readers.outline import Outline, OutlineColumn, columns_file_of, columns_toml
from cycler.record import text as record_text
from cycler.units import shown_unit
from dashboard import columns_values as values_
from dashboard import components, ids, preview, text
from dashboard.columns_values import FOUND, ColumnValues, FormValues
from dashboard.data import PREVIEW_BYTES, Door
from dashboard.pages.columns_preview import show_preview
from dashboard.uploads import Uploads
from dashboard.waiting import TOML_BYTES_MAX, item_of, list_change, of_kind, still_there, toml_files

READS, CHANGED = "reads", "changed"
"""What the page keeps of a form that says what is not used: whether its preview reads the log."""

_HEAD_BYTES_LEAST = 200_000
_CELL_LENGTH, _LINES, _LINE_LENGTH = 24, 8, 160


# ---- layout ----------------------------------------------------------------------------------------------------


def panel() -> Component:
    """The fold under the list of files."""
    return html.Details(
        [
            html.Summary([text.COLUMNS_TITLE, ": ", html.Span(id=ids.COLUMNS_LINE, className="columns-line"),
                          html.Span(text.COLUMNS_LINE_READS, className="columns-line-reads")]),
            html.Div(id=ids.COLUMNS_NOTE),
            html.Div(id=ids.COLUMNS_HEADS, className="columns-heads"),
            dcc.Checklist(id=ids.COLUMNS_ALLOW, value=[], className="choice",
                          options=[{"value": "allow", "label": text.ALLOW_BAD_ROWS}]),
            html.Div(id=ids.COLUMNS_ROWS),
            html.P(id=ids.COLUMNS_FILLED, role="status", className="hint"),
            html.H3(text.PREVIEW_TITLE),
            components.loading(html.Div(id=ids.COLUMNS_PREVIEW, role="status", className="columns-preview")),
            html.Div(
                [
                    html.Button(text.COLUMNS_USE, id=ids.COLUMNS_USE, type="button", className="button button-main",
                                **{"aria-describedby": ids.COLUMNS_STATE}),
                    html.Button(text.COLUMNS_BACK, id=ids.COLUMNS_BACK, type="button", className="button"),
                    html.Button(text.COLUMNS_DOWNLOAD, id=ids.COLUMNS_SAVE, type="button", className="button"),
                    html.Span(id=ids.COLUMNS_STATE, role="status", className="wait-note"),
                ],
                className="act-row",
            ),
            html.Div(id=ids.COLUMNS_ERROR),
            dcc.Store(id=ids.COLUMNS_KEY),
            dcc.Store(id=ids.COLUMNS_CHANGED),
            dcc.Store(id=ids.COLUMNS_RESET),
            dcc.Download(id=ids.COLUMNS_FILE),
        ],
        id=ids.COLUMNS_FOLD, className="fold columns-fold", hidden=True,
    )


def _choice(words: dict[str, str], found: str | None) -> list[dict[str, str]]:
    """Options of a choice, the first leaves the matter as found."""
    first = text.AS_FOUND_IS.format(what=found) if found else text.AS_FOUND
    return [{"value": FOUND, "label": first}, *({"value": key, "label": word} for key, word in words.items())]


def said_of_test(many: bool) -> list[dict[str, str]]:
    """Boxes to tick on the test as a whole; ``many`` if it has several logs."""
    words = {"allow": text.ALLOW_BAD_ROWS, **({"no_pause": text.NO_PAUSE} if many else {})}
    return [{"value": key, "label": word} for key, word in words.items()]


def _drop_down(kind: str, place: dict[str, Any], options: list[dict[str, str]], value: str) -> Component:
    return dcc.Dropdown(id={"type": kind, **place}, options=options, value=value, clearable=False, searchable=False, maxHeight=330)


def heads(seen: Outline, values: FormValues) -> Component:
    """How the file is written: delimiter, decimal mark, headings, clock, order of day and month."""
    reading = seen.log.reading if seen.log is not None else None
    line = values.header_row if reading is None else reading.header_row or 0
    found = {
        "delimiter": seen.delimiter, "decimal": seen.decimal, "clock": reading.clock_kind if reading else seen.clock,
        "date_order": seen.date_order, "taps_from": seen.taps_from,
    }
    fields = []
    for key, label in text.HEAD_FIELDS.items():
        if key == "header_row":
            known = "" if line is None else text.LINE_N.format(n=line) if line else text.NO_HEADINGS
            control: Component = dcc.Input(
                id={"type": ids.COLUMNS_HEAD, "key": key}, type="number", min=0, step=1, debounce=0.6, autoComplete="off",
                value=values.header_row, placeholder=text.AS_FOUND_IS.format(what=known) if known else text.AS_FOUND,
            )
        else:
            words = text.HEAD_WORDS[key]
            control = _drop_down(ids.COLUMNS_HEAD, {"key": key}, _choice(words, words.get(found[key] or "")), getattr(values, key))
        fields.append(components.field(label, control, class_name="taps-field" if key == "taps_from" else ""))
    return html.Div(fields, className="field-grid")


def role_options(found: str) -> list[dict[str, str]]:
    """Parts that a column can play, in words."""
    options = _choice({role: text.ROLE_WORDS[role] for role in values_.ROLE_ORDER}, text.ROLE_WORDS.get(found, found))
    return [{**option, "title": record_text.ROLE_WORDS.get(option["value"], option["label"])} for option in options]


def unit_options(role: str, found_role: str, found: str | None) -> list[dict[str, str]]:
    """Units that a column can have in this role."""
    own = role in (found_role, FOUND)
    role = found_role if role == FOUND else role
    symbols = values_.units_for(role, found if own else None)
    words = {
        symbol: text.STEP_TIME_UNIT.format(unit=shown_unit(symbol)) if role == "step" else shown_unit(symbol) for symbol in symbols
    }
    if not symbols:
        return [{"value": FOUND, "label": text.NO_UNIT}]
    return _choice(words, shown_unit(found) if own and found else None)


def rows(seen: Outline, values: FormValues, cells: Mapping[int, Sequence[str]] | None = None) -> Component:
    """One row for each column: heading and some cells, part, unit, group or direction, and why it was taken so.

    ``cells`` are those of each column from all of the log, by position; without them the first ones are shown.
    """
    if not seen.columns:
        lines = "\n".join(line[:_LINE_LENGTH] for line in seen.lines[:_LINES])
        return html.Div([html.P(text.COLUMNS_LINES, className="hint"), html.Pre(lines, className="first-lines", tabIndex=0)])
    shown = seen.columns[: values_.COLUMNS_SHOWN]
    titles = (text.H_CELLS, text.FIELD_ROLE, text.FIELD_UNIT, text.H_GROUP_SIGN, text.H_WHY)
    head = html.Div([html.Span(title) for title in titles], className="column-row column-head", **{"aria-hidden": "true"})
    many = len(seen.columns) > len(shown)
    return html.Div(
        [
            head,
            html.Ul(
                [
                    _row(column, values.of(column.position),
                         preview.telling_cells((cells or {}).get(column.position) or column.cells, seen.decimal),
                         values_.amid_alike(values, column.position))
                    for column in shown
                ],
                className="column-list",
            ),
            html.P(text.COLUMNS_MANY.format(shown=len(shown), n=len(seen.columns)), className="hint") if many else None,
        ]
    )


def label_of(column: OutlineColumn) -> str:
    """Heading of a column, or its number."""
    return column.name or text.COLUMN_N.format(n=column.position)


def _row(column: OutlineColumn, own: ColumnValues, telling: Sequence[str], amid: bool) -> Component:
    place = {"column": column.position}
    role = values_.role_in_force(own, column)
    of_what = f"{label_of(column)}, {text.COLUMN_N.format(n=column.position)}" if column.name else label_of(column)

    def labelled(field: str, control: Component) -> Component:
        return components.field(field, control, spoken=f"{field}: {of_what}")

    cells = [cell[:_CELL_LENGTH] if cell.strip() else text.CELL_EMPTY for cell in telling]
    group = dcc.Input(
        id={"type": ids.COLUMNS_GROUP, **place}, type="number", min=1, step=1, debounce=0.6, autoComplete="off", value=own.group,
        placeholder=text.AS_FOUND_IS.format(what=column.group) if column.group else text.GROUP_HINT,
    )
    sign = _drop_down(ids.COLUMNS_SIGN, place, _choice(text.SIGN_WORDS, text.SIGN_WORDS.get(column.sign or "")), own.sign)
    return html.Li(
        [
            html.Div([html.Strong(label_of(column)), html.Span(" · ".join(cells), className="column-cells")], className="column-name"),
            labelled(text.FIELD_ROLE, _drop_down(ids.COLUMNS_ROLE, place, role_options(column.role), own.role)),
            labelled(text.FIELD_UNIT, _drop_down(
                ids.COLUMNS_UNIT, place, unit_options(own.role, column.role, column.unit), own.unit)),
            html.Div(
                [
                    html.Div(labelled(text.FIELD_GROUP, group), id={"type": ids.COLUMNS_GROUP_BOX, **place},
                             hidden=role not in values_.GROUP_ROLES),
                    html.Div(
                        html.Button(
                            text.FILL_ON, id={"type": ids.COLUMNS_FILL, **place}, type="button",
                            className="button quiet-button fill-button", **{"aria-label": f"{text.FILL_ON}: {of_what}"},
                        ),
                        id={"type": ids.COLUMNS_FILL_BOX, **place}, hidden=own.role not in values_.GROUP_ROLES or amid,
                    ),
                    html.Div(labelled(text.FIELD_SIGN, sign), id={"type": ids.COLUMNS_SIGN_BOX, **place}, hidden=role != "current"),
                ],
            ),
            html.P(column.evidence, className="column-why"),
        ],
        className="column-row",
    )


# ---- what the form is about ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Subject:
    """The waiting logs that the form is about, the first being shown. ``own`` is what it is read with now."""

    sources: tuple[tuple[str, bytes], ...]
    whole: bool
    columns: Any
    remembered: bool
    own: ColumnsFile | None

    @property
    def name(self) -> str:
        """Name of the log that is shown."""
        return self.sources[0][0]


def subject(
    state: dict[str, Any] | None, files: list[dict[str, Any]] | None, leave_out: Any, door: Door, uploads: Uploads
) -> Subject | None:
    """Heads of the logs that the page names, if this server holds them. None without any."""
    held = still_there(files, uploads)
    logs = set(of_kind(held, "log"))
    tokens = [token for token in (state or {}).get("form") or () if token in logs]
    if not tokens:
        return None
    share = max(PREVIEW_BYTES // len(tokens), _HEAD_BYTES_LEAST)
    sources, whole = [], True
    for token in tokens:
        name, raw, is_all = uploads.head(token, share)
        head, is_whole = preview.cut(raw, share, is_all)
        sources.append((name, head))
        whole = whole and is_whole
    named = toml_files(held, uploads, {})["columns"]
    used = door.used(sources, named, bool(leave_out) or bool(of_kind(held, "columns")))
    own = used.files()[0]
    return Subject(tuple(sources), whole, used.columns, used.remembered, own)


def base_of(about: Subject, values: FormValues | None, door: Door) -> Outline:
    """The log as far as its columns are told apart with what the form says on how the file is written."""
    if values is not None:
        stated, own = values_.heads_only(values, about.own), about.own or ColumnsFile()
        if (stated.delimiter, stated.decimal, stated.header_row) != (own.delimiter, own.decimal, own.header_row):
            return door.outline(about.sources, stated)
    return door.outline(about.sources, about.columns)


def kept_values(values: FormValues, before: Outline | None, now: Outline, own: ColumnsFile | None) -> FormValues:
    """The form's values for columns told apart anew: those of columns that are still there stay as they are."""
    fresh = values_.values_of(now, own)
    names = {column.position: column.name for column in before.columns} if before is not None else {}
    columns = tuple(
        values.of(column.position) if names.get(column.position) == column.name and before is not None else fresh.of(column.position)
        for column in now.columns
    )
    return replace(values, columns=columns)


def made_file(about: Subject, values: FormValues, door: Door, name: str = "") -> tuple[ColumnsFile, bool]:
    """The columns file that the form says, and whether that is more or other than what the log is read with."""
    made = values_.columns_file(values, base_of(about, values, door), name)
    base = door.outline(about.sources, about.columns)
    first = values_.columns_file(values_.values_of(base, about.own), base, name)
    return made, made != first


def filled_words(values: FormValues, below: Sequence[int]) -> str:
    """Which columns were said to be like the one above them."""
    numbers = [values.of(place).group for place in below]
    words = text.FILLED if len(below) > 1 else text.FILLED_ONE
    return words.format(
        first=below[0], last=below[-1], role=text.ROLE_WORDS[values.of(below[0]).role], low=numbers[0], high=numbers[-1])


def toml_of(about: Subject, made: ColumnsFile, door: Door, values: FormValues) -> str:
    """Text of the columns file; where the form says nothing, of all that was found."""
    remarks = tuple(line.format(log=quote(about.name)) for line in text.TOML_REMARKS)
    if values_.says_something(made):
        return columns_toml(made, remarks)
    return columns_toml(columns_file_of(base_of(about, values, door)), remarks)


# ---- callbacks -------------------------------------------------------------------------------------------------

_HEAD = {"type": ids.COLUMNS_HEAD, "key": ALL}
_PARTS = ("role", "unit", "sign", "group")
_PART_IDS = {"role": ids.COLUMNS_ROLE, "unit": ids.COLUMNS_UNIT, "sign": ids.COLUMNS_SIGN, "group": ids.COLUMNS_GROUP}


def _sent(kind: Any) -> list[Any]:
    """The form's values, as inputs or as states of a callback; :func:`_taken` reads them."""
    return [
        kind(_HEAD, "value"), kind(ids.COLUMNS_ALLOW, "value"),
        *(kind({"type": _PART_IDS[part], "column": ALL}, "value") for part in _PARTS),
        State(_HEAD, "id"), State({"type": ids.COLUMNS_ROLE, "column": ALL}, "id"),
    ]


def _taken(sent: Sequence[Any]) -> FormValues:
    head_values, allow, *parts, head_ids, column_ids = sent
    found = {item["key"]: value for item, value in zip(head_ids, head_values)}
    columns = [
        {"position": item["column"], **dict(zip(_PARTS, one))} for item, one in zip(column_ids, zip(*parts))
    ]
    ticked = allow or []
    return values_.taken(found, "allow" in ticked, columns, "no_pause" in ticked)


def _line(state: dict[str, Any], seen: Outline) -> str:
    if not seen.columns:
        return text.COLUMNS_LINE["none"]
    check = state.get("check")
    if check in ("error", "doubt"):
        return text.COLUMNS_LINE[check]
    return text.COLUMNS_LINE["used"].format(names=state["used"]) if state.get("used") else text.COLUMNS_LINE[""]


def _note(state: dict[str, Any], about: Subject, seen: Outline) -> list[Component]:
    many = len(about.sources) > 1
    words = text.COLUMNS_OF_ALL.format(name=about.name, n=len(about.sources)) if many else text.COLUMNS_OF.format(name=about.name)
    notes = [html.P(words, className="hint")]
    if state.get("check") == "doubt":
        notes.insert(0, html.P(text.COLUMNS_CHECK_BARE if seen.header_row == 0 else text.COLUMNS_CHECK))
    return notes


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the form."""

    def about_now(state: Any, files: Any, leave_out: Any) -> Subject:
        found = subject(state, files, leave_out, door, uploads)
        if found is None:
            raise PreventUpdate
        return found

    waiting = [State(ids.ADD_STATE, "data"), State(ids.ADD_FILES, "data"), State(ids.ADD_LEAVE_OUT, "value")]

    @app.callback(
        Output(ids.COLUMNS_FOLD, "hidden"), Output(ids.COLUMNS_FOLD, "open"), Output(ids.COLUMNS_LINE, "children"),
        Output(ids.COLUMNS_NOTE, "children"), Output(ids.COLUMNS_HEADS, "children"), Output(ids.COLUMNS_ALLOW, "value"),
        Output(ids.COLUMNS_ROWS, "children"), Output(ids.COLUMNS_KEY, "data"), Output(ids.COLUMNS_ERROR, "children"),
        Output(ids.COLUMNS_ALLOW, "options"), Output(ids.COLUMNS_FILLED, "children"),
        Input(ids.ADD_STATE, "data"), Input(ids.COLUMNS_RESET, "data"), State(ids.ADD_FILES, "data"),
        State(ids.ADD_LEAVE_OUT, "value"), State(ids.COLUMNS_KEY, "data"),
    )
    def show_form(state: Any, reset: Any, files: Any, leave_out: Any, before: dict[str, Any] | None) -> tuple[Any, ...]:
        about = subject(state, files, leave_out, door, uploads)
        if about is None:
            return True, False, "", None, None, [], None, None, None, said_of_test(False), None
        seen = base_of(about, None, door)
        key = [(state or {}).get("form"), of_kind(still_there(files, uploads), "columns"), bool(leave_out), reset]
        if before is not None and before.get("key") == key:
            return False, no_update, _line(state, seen), *(no_update,) * 8  # the same logs: what was typed stays
        values = values_.values_of(seen, about.own)
        is_open = bool(state.get("check")) and bool(seen.columns)
        return (
            False, is_open, _line(state, seen), _note(state, about, seen), heads(seen, values),
            [key for key, said in (("allow", values.allow_bad_rows), ("no_pause", values.no_pause)) if said],
            rows(seen, values, preview.cells_of(about.sources[0], seen)), _key(key, seen, values), None,
            said_of_test(len(about.sources) > 1), None,
        )

    @app.callback(
        Output(ids.COLUMNS_ROWS, "children", allow_duplicate=True), Output(ids.COLUMNS_KEY, "data", allow_duplicate=True),
        Input(_HEAD, "value"), State(ids.COLUMNS_KEY, "data"), *waiting, *_sent(State), prevent_initial_call=True,
    )
    def tell_apart(_heads: Any, key: dict[str, Any] | None, state: Any, files: Any, leave_out: Any, *sent: Any) -> tuple[Any, Any]:
        try:
            values = _taken(sent)
        except InputError:
            raise PreventUpdate from None
        if key is None or key["dialect"] == _dialect(values):
            raise PreventUpdate
        about = about_now(state, files, leave_out)
        old = _taken([[*key["dialect"]], None, [], [], [], [], [{"key": name} for name in _DIALECT], []])
        now = base_of(about, values, door)
        values = kept_values(values, base_of(about, old, door), now, about.own)
        return rows(now, values, preview.cells_of(about.sources[0], now)), _key(key["key"], now, values)

    @app.callback(
        Output(ids.COLUMNS_ROWS, "children", allow_duplicate=True), Output(ids.COLUMNS_FILLED, "children", allow_duplicate=True),
        Input({"type": ids.COLUMNS_FILL, "column": ALL}, "n_clicks"), *waiting, *_sent(State), prevent_initial_call=True,
    )
    def fill_on(clicks: list[int | None], state: Any, files: Any, leave_out: Any, *sent: Any) -> tuple[Any, Any]:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            raise PreventUpdate
        about = about_now(state, files, leave_out)
        position = ctx.triggered_id["column"]
        try:
            values = _taken(sent)
        except InputError:
            raise PreventUpdate from None
        seen = base_of(about, values, door)
        cells = preview.cells_of(about.sources[0], seen)
        shown = seen.columns[: values_.COLUMNS_SHOWN]
        filled, below = values_.filled_on(values, shown, position, preview.medians(cells, seen.decimal))
        if not below:
            name = next((label_of(column) for column in shown if column.position == position), "")
            return no_update, text.FILLED_NONE.format(name=quote(name))
        return rows(seen, filled, cells), filled_words(filled, below)

    @app.callback(
        Output(ids.COLUMNS_HEADS, "className"), Input({"type": ids.COLUMNS_ROLE, "column": ALL}, "value"),
        State({"type": ids.COLUMNS_ROLE, "column": ALL}, "id"), State(ids.COLUMNS_KEY, "data"),
    )
    def show_taps(roles: list[str], places: list[dict[str, Any]], key: dict[str, Any] | None) -> str:
        found = (key or {}).get("found") or {}
        in_force = (
            (found.get(str(place["column"])) or ("ignored",))[0] if role == FOUND else role for role, place in zip(roles, places)
        )
        return "columns-heads with-taps" if "tap_voltage" in in_force else "columns-heads"

    @app.callback(
        Output({"type": ids.COLUMNS_UNIT, "column": MATCH}, "options"), Output({"type": ids.COLUMNS_UNIT, "column": MATCH}, "value"),
        Output({"type": ids.COLUMNS_GROUP_BOX, "column": MATCH}, "hidden"),
        Output({"type": ids.COLUMNS_SIGN_BOX, "column": MATCH}, "hidden"),
        Output({"type": ids.COLUMNS_FILL_BOX, "column": MATCH}, "hidden"),
        Input({"type": ids.COLUMNS_ROLE, "column": MATCH}, "value"), State({"type": ids.COLUMNS_UNIT, "column": MATCH}, "value"),
        State(ids.COLUMNS_KEY, "data"), prevent_initial_call=True,
    )
    def fit_unit(role: str, unit: str, key: dict[str, Any] | None) -> tuple[Any, ...]:
        found_role, found_unit = ((key or {}).get("found") or {}).get(str(ctx.triggered_id["column"]), ("ignored", None))
        options = unit_options(role, found_role, found_unit)
        in_force = found_role if role == FOUND else role
        value = unit if unit in {option["value"] for option in options} else FOUND
        return options, value, in_force not in values_.GROUP_ROLES, in_force != "current", role not in values_.GROUP_ROLES

    @app.callback(
        Output(ids.COLUMNS_PREVIEW, "children"), Output(ids.COLUMNS_STATE, "children"), Output(ids.COLUMNS_USE, "disabled"),
        Output(ids.COLUMNS_CHANGED, "data"),
        *_sent(Input), *waiting,
    )
    def preview_columns(*given: Any) -> tuple[Any, ...]:
        *sent, state, files, leave_out = given
        about = subject(state, files, leave_out, door, uploads)
        if about is None or not sent[0]:
            return None, "", True, ""
        try:
            made, changed = made_file(about, _taken(sent), door)
        except InputError as error:
            return components.error_panel(error), text.COLUMNS_NOT_YET, True, CHANGED
        said = values_.says_something(made)
        seen = door.outline(about.sources, made if said else None) if changed or not about.remembered else base_of(about, None, door)
        shown = show_preview(seen, about.whole, changed)
        kept = CHANGED if changed else ""
        if seen.error is not None and about.whole:
            return shown, text.COLUMNS_NOT_YET if changed else "", True, kept
        if about.own is not None and not changed:
            return shown, text.COLUMNS_SAME, True, ""
        if not said and about.own is None:
            return shown, text.COLUMNS_NOTHING, True, kept
        return shown, text.COLUMNS_CHANGED, False, READS if changed and seen.error is None else kept

    @app.callback(
        Output(ids.ADD_FILES, "data", allow_duplicate=True), Output(ids.ADD_LEAVE_OUT, "value", allow_duplicate=True),
        Output(ids.COLUMNS_ERROR, "children", allow_duplicate=True),
        Input(ids.COLUMNS_USE, "n_clicks"), *waiting, *_sent(State), prevent_initial_call=True,
    )
    def use_columns(clicks: int | None, state: Any, files: Any, leave_out: Any, *sent: Any) -> tuple[Any, ...]:
        if not clicks:
            raise PreventUpdate
        about = about_now(state, files, leave_out)
        held = list(files or [])
        others = [item for item in held if item["kind"] != "columns"]
        try:
            values = _taken(sent)
            made, _changed = made_file(about, values, door, values_.file_name(about.name))
            if not values_.says_something(made):
                _throw_away(held, uploads)
                return list_change(held, others), ["leave"], None
            content = toml_of(about, made, door, values).encode("utf-8")
            if len(content) > TOML_BYTES_MAX:
                why = text.COLUMNS_TOO_LONG_WHY.format(kb=TOML_BYTES_MAX // 1000)
                raise InputError(text.COLUMNS_TOO_LONG, about.name, why, text.COLUMNS_TOO_LONG_MEND)
            dropped = uploads.receive(made.file, io.BytesIO(content))
        except InputError as error:
            return no_update, no_update, components.error_panel(error, text.NOTHING_STORED)
        _throw_away(held, uploads)
        new = item_of(dropped) | {"kind": "columns", "made": True}
        return list_change(held, [*others, new]), no_update, None

    @app.callback(
        Output(ids.ADD_FILES, "data", allow_duplicate=True), Output(ids.COLUMNS_RESET, "data"),
        Input(ids.COLUMNS_BACK, "n_clicks"), State(ids.ADD_FILES, "data"), prevent_initial_call=True,
    )
    def back_to_found(clicks: int | None, files: Any) -> tuple[Any, ...]:
        if not clicks:
            raise PreventUpdate
        held = list(files or [])
        own = [item for item in held if item["kind"] == "columns" and item.get("made")]
        _throw_away(own, uploads)
        return list_change(held, [item for item in held if item not in own]) if own else no_update, clicks

    @app.callback(
        Output(ids.COLUMNS_FILE, "data"), Output(ids.COLUMNS_ERROR, "children", allow_duplicate=True),
        Input(ids.COLUMNS_SAVE, "n_clicks"), *waiting, *_sent(State), prevent_initial_call=True,
    )
    def save_columns(clicks: int | None, state: Any, files: Any, leave_out: Any, *sent: Any) -> tuple[Any, ...]:
        if not clicks:
            raise PreventUpdate
        about = about_now(state, files, leave_out)
        try:
            values = _taken(sent)
            made, _changed = made_file(about, values, door, values_.file_name(about.name))
            content = toml_of(about, made, door, values)
        except InputError as error:
            return no_update, components.error_panel(error, text.NOTHING_STORED)
        return {"content": content, "filename": made.file, "type": "application/toml"}, None


_DIALECT = ("delimiter", "decimal", "header_row")


def _dialect(values: FormValues) -> list[Any]:
    return [getattr(values, name) for name in _DIALECT]


def _key(key: list[Any], seen: Outline, values: FormValues) -> dict[str, Any]:
    """What the page keeps of the form: what it is about, how its columns were told apart, and what was found of each."""
    found = {str(column.position): [column.role, column.unit] for column in seen.columns[: values_.COLUMNS_SHOWN]}
    return {"key": key, "dialect": _dialect(values), "found": found}


def _throw_away(files: list[dict[str, Any]], uploads: Uploads) -> None:
    for item in files:
        if item["kind"] == "columns":
            uploads.remove(item["token"])
