"""Adding, the pack: one of the register, a new one with its ratings, or one from a pack file; and what warns before it is used again."""

from __future__ import annotations

from typing import Any

from dash import ALL, Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from dashboard import advice, components, ids, text, text_add
from dashboard.address import query_of
from dashboard.data import CHEMISTRIES, Door, Pack, PackItem, pack_from_form
from dashboard.waiting import Seen

OFFERED = 20
"""Packs that a search offers; more are found with more letters."""

NEW = "new:"
"""In front of the number of a pack that the register has no run of, as the value of a choice."""

KEPT = {"persistence": True, "persistence_type": "session"}
"""What is typed survives a reload of the page, in this tab alone."""
SINGLE, BY_NAME, ASKED = "single", "by-name", "asked"


# ---- choosing --------------------------------------------------------------------------------------------------


def option_of(item: PackItem) -> dict[str, str]:
    """A pack among the options of a choice."""
    value = item.id if item.newest else NEW + item.id
    return {"value": value, "label": f"{item.id} · {text.build_text(item)}", "search": f"{item.id} {text.build_text(item)}"}


def known_option(pack_id: str) -> dict[str, str]:
    """A pack of which only its number is at hand."""
    shown = text_add.NEW_PACK.format(id=pack_id.removeprefix(NEW)) if pack_id.startswith(NEW) else pack_id
    return {"value": pack_id, "label": shown, "search": shown}


def offered(door: Door, words: str | None, chosen: str | None, first: list[str] = (), with_new: bool = False) -> list[dict[str, str]]:  # type: ignore[assignment]
    """Packs for a search: those named first, then the hits; a number that no pack has may be taken as new one's if ``with_new``."""
    wanted = (words or "").strip()
    hits = [option_of(item) for item in door.find_packs(wanted, OFFERED) if item.newest or with_new or wanted]
    by_value = {option["value"]: option for option in hits}
    lead = [by_value.get(pack_id) or known_option(pack_id) for pack_id in dict.fromkeys([*first, *([chosen] if chosen else [])])]
    options = {option["value"]: option for option in [*lead, *hits]}
    if with_new and wanted and not {wanted, NEW + wanted} & set(options):
        new = known_option(NEW + wanted[:60])
        options[new["value"]] = new
    return list(options.values())


def _pack_choice(door: Door) -> list[Component]:
    packs = [item for item in door.find_packs("", OFFERED) if item.newest]
    return [
        dcc.RadioItems(
            id=ids.ADD_PACK_KIND, className="choice", inline=True, value="existing" if packs else "new", **KEPT,
            options=[{"value": key, "label": word} for key, word in text.PACK_KIND.items()],
        ),
        html.Div(
            [
                components.field(
                    text.PACK_EXISTING,
                    dcc.Dropdown(id=ids.ADD_PACK_EXISTING, clearable=False, placeholder=text_add.PACK_SEARCH,
                                 options=[option_of(item) for item in packs]),
                ),
                html.P(id=ids.ADD_PICKED_WHY, className="hint"),
            ],
            id=ids.ADD_PACK_EXISTING_BOX,
        ),
        html.Div([html.P(text.OPTIONAL, className="hint"), _pack_form()], id=ids.ADD_PACK_NEW_BOX, hidden=True),
        html.Div(html.P(text.PACK_FILE_NONE, className="quiet"), id=ids.ADD_PACK_FILE_BOX, hidden=True),
    ]


def _pack_form() -> Component:
    fields = []
    for key, label, kind, hint in text.PACK_FIELDS:
        control = dcc.Input(
            id={"type": ids.ADD_PACK_FIELD, "key": key}, type=kind, autoComplete="off", **KEPT,
            **({"step": "any", "min": 0} if kind == "number" else {"maxLength": 60}),
        )
        if hint:
            control.placeholder = hint
        fields.append(components.field(label, control))
        if key == "id":
            chemistry = dcc.Dropdown(
                id={"type": ids.ADD_PACK_FIELD, "key": "chemistry"}, placeholder=text.UNKNOWN_CHOICE, **KEPT,
                options=[{"value": key, "label": text.CHEMISTRY_WORDS.get(key, key)} for key in CHEMISTRIES],
            )
            fields.append(components.field(text.CHEMISTRY, chemistry))
    limits = [
        components.field(
            label,
            dcc.Input(
                id={"type": ids.ADD_INSTRUMENT_FIELD, "key": key}, type=kind, autoComplete="off", placeholder=hint, **KEPT,
                **({"step": "any", "min": 0} if kind == "number" else {"maxLength": 200}),
            ),
        )
        for key, label, kind, hint in text.INSTRUMENT_FIELDS
    ]
    sense = dcc.Dropdown(
        id={"type": ids.ADD_INSTRUMENT_FIELD, "key": "sense"}, placeholder=text.SENSE_CHOICE["four-wire"], **KEPT,
        options=[{"value": key, "label": word} for key, word in text.SENSE_CHOICE.items()],
    )
    return html.Div(
        [
            html.Div(fields, className="field-grid"),
            components.fold(
                text.INSTRUMENT_TITLE,
                html.Div([html.P(text.INSTRUMENT_MORE, className="hint"),
                          html.Div([*limits, components.field(text.SENSE, sense)], className="field-grid")]),
            ),
        ]
    )


# ---- what is shown and taken -----------------------------------------------------------------------------------


def pack_box(files: list[dict[str, Any]], found: Seen) -> Component:
    """What the dropped pack file says; what is wrong with it stands under Files."""
    name = next((item["name"] for item in files if item["kind"] == "pack"), None)
    if name is None:
        return html.P(text.PACK_FILE_NONE, className="quiet")
    if found.pack is None:
        return html.P(text.PACK_FILE_BAD.format(name=name))
    return html.P(text.PACK_FILE_READ.format(name=name, id=found.pack.id, build=text.build_text(found.pack)))


def pack_chosen(
    kind: str, existing: str | None, values: dict[str, Any], limits: dict[str, Any], from_file: Pack | None, door: Door
) -> Pack:
    """The pack that the form names. InputError in the words of the pack file where it cannot be one."""
    if kind == "existing" and existing:
        return pack_picked(existing, door)
    if kind == "file" and from_file is not None:
        return from_file
    if kind == "new" and values.get("id"):
        return pack_from_form(values, limits)
    raise InputError(text.ADD_NO_PACK_WHAT, text.THE_FORM, text.ADD_NO_PACK_WHY, text.ADD_NO_PACK_MEND)


def pack_picked(value: str, door: Door) -> Pack:
    """The pack of an option: one of the register, or a new one of which the number alone is known."""
    return pack_from_form({"id": value.removeprefix(NEW)}, {}) if value.startswith(NEW) else door.pack_of(value)


def caution_of(door: Door, pack_id: str | None) -> Component | None:
    """A short caution where a pack with a danger is about to be tested again; None where there is none."""
    pack_id = (pack_id or "").removeprefix(NEW).strip()
    said = door.dangers_of(pack_id) if pack_id else []
    if not said:
        return None
    why = ". ".join(advice.words(sentence).rstrip(".") for sentence in said)
    return components.caution(text_add.DANGER_BUTTON.format(pack=pack_id, why=why), danger=True)


def keyed(names: list[dict[str, Any]], values: list[Any]) -> dict[str, Any]:
    """Values of a pattern of fields by their keys."""
    return {name["key"]: value for name, value in zip(names, values)}


# ---- callbacks -------------------------------------------------------------------------------------------------


def register(app: Dash, door: Door) -> None:
    """Wire the choice of one pack."""

    @app.callback(
        Output(ids.ADD_PACK_EXISTING_BOX, "hidden"), Output(ids.ADD_PACK_NEW_BOX, "hidden"),
        Output(ids.ADD_PACK_FILE_BOX, "hidden"), Input(ids.ADD_PACK_KIND, "value"),
    )
    def show_pack_choice(kind: str) -> tuple[bool, bool, bool]:
        return kind != "existing", kind != "new", kind != "file"

    @app.callback(
        Output(ids.ADD_PACK_EXISTING, "options"), Output(ids.ADD_PACK_EXISTING, "value"), Output(ids.ADD_PICKED_WHY, "children"),
        Output(ids.ADD_PICKED, "data"), Output(ids.ADD_PACK_KIND, "value", allow_duplicate=True),
        Output({"type": ids.ADD_PACK_FIELD, "key": "id"}, "value", allow_duplicate=True),
        Input(ids.ADD_STATE, "data"), State(ids.ADD_FILES, "data"), State(ids.ADD_PICKED, "data"), State(ids.ADD_PACK_EXISTING, "value"),
        State(ids.URL, "search"), prevent_initial_call=True,
    )
    def offer_named(
        state: dict[str, Any] | None, files: Any, picked: dict[str, str] | None, value: str | None, search: str | None
    ) -> tuple[Any, ...]:
        """The pack that the address names, what was picked since, else the pack whose number stands in the name of a log."""
        asked, kind, number = query_of(search).get("pack", "").strip()[:60], no_update, no_update
        if asked and (picked or {}).get(ASKED) != asked:
            has_run = _has_run(door, asked)
            kind, number = ("existing", no_update) if has_run else ("new", asked)
            picked = {**(picked or {}), ASKED: asked, SINGLE: asked if has_run else ""}
        logs = [item for item in files or [] if item["kind"] == "log"]
        named = {pack_id: item["name"] for item in reversed(logs) for pack_id in door.packs_named(item["name"], item.get("folder", ""))[:1]}
        known = [pack_id for pack_id in named if _has_run(door, pack_id)]
        own = (picked or {}).get(SINGLE)
        chosen = own or (known[0] if len(known) == 1 else None)
        why = text_add.PICKED_WHY.format(pack=chosen, name=named[chosen]) if chosen in named else ""
        if chosen and chosen == asked and chosen not in named:
            other = next(iter(named), None)
            why = text_add.PICKED_ASKED.format(pack=chosen) if other is None else text_add.PICKED_OTHER.format(pack=chosen, name=named[other], other=other)
        by_name = chosen if own is None else None
        kept = {key: item for key, item in {**(picked or {}), BY_NAME: by_name}.items() if item}
        return offered(door, "", chosen, known), chosen if chosen != value else no_update, why, kept, kind, number

    @app.callback(Output(ids.ADD_PICKED, "data", allow_duplicate=True), Input(ids.URL, "pathname"), State(ids.ADD_PICKED, "data"), prevent_initial_call=True)
    def forget_asked(pathname: str | None, picked: dict[str, str] | None) -> dict[str, str]:
        """Whoever leaves and comes back from a pack's page means that pack again."""
        if pathname == "/add" or not picked or not picked.get(ASKED):
            raise PreventUpdate
        return {key: item for key, item in picked.items() if key != ASKED}

    @app.callback(
        Output(ids.ADD_PACK_EXISTING, "options", allow_duplicate=True), Input(ids.ADD_PACK_EXISTING, "search_value"),
        State(ids.ADD_PACK_EXISTING, "value"), prevent_initial_call=True,
    )
    def search_pack(words: str | None, value: str | None) -> list[dict[str, str]]:
        if words is None:
            raise PreventUpdate
        return offered(door, words, value)

    @app.callback(
        Output(ids.ADD_PICKED, "data", allow_duplicate=True), Output(ids.ADD_PACK_KIND, "value", allow_duplicate=True),
        Output({"type": ids.ADD_PACK_FIELD, "key": "id"}, "value"), Output(ids.ADD_PACK_EXISTING, "value", allow_duplicate=True),
        Output(ids.ADD_PICKED_WHY, "children", allow_duplicate=True),
        Input(ids.ADD_PACK_EXISTING, "value"), State(ids.ADD_PICKED, "data"), prevent_initial_call=True,
    )
    def keep_picked(value: str | None, picked: dict[str, str] | None) -> tuple[Any, ...]:
        if not value or value in ((picked or {}).get(SINGLE), (picked or {}).get(BY_NAME)):
            raise PreventUpdate
        if value.startswith(NEW):  # it has a card alone: its ratings are asked for as those of a new one
            return no_update, "new", value.removeprefix(NEW), None, ""
        return {**(picked or {}), SINGLE: value}, no_update, no_update, no_update, ""

    @app.callback(
        Output(ids.ADD_CAUTION, "children"), Input(ids.ADD_PACK_KIND, "value"), Input(ids.ADD_PACK_EXISTING, "value"),
        Input({"type": ids.ADD_PACK_FIELD, "key": "id"}, "value"), Input(ids.ADD_STATE, "data"), Input(ids.ADD_EACH_PACKS, "value"),
    )
    def warn(kind: str, existing: str | None, number: str | None, state: dict[str, Any] | None, packs: str | None) -> Any:
        if (state or {}).get("how") == "each" and packs == "each":
            return None
        chosen = {"existing": existing, "new": number, "file": (state or {}).get("pack_id")}.get(kind)
        return caution_of(door, str(chosen) if chosen else None)


def _has_run(door: Door, pack_id: str) -> bool:
    return any(item.id == pack_id and item.newest for item in door.find_packs(pack_id, OFFERED))


def form_states() -> list[State]:
    """The form of one pack, as states of a callback: kind, known pack, fields of a new one and of its instrument."""
    field, limit = {"type": ids.ADD_PACK_FIELD, "key": ALL}, {"type": ids.ADD_INSTRUMENT_FIELD, "key": ALL}
    return [
        State(ids.ADD_PACK_KIND, "value"), State(ids.ADD_PACK_EXISTING, "value"), State(field, "id"), State(field, "value"),
        State(limit, "id"), State(limit, "value"),
    ]
