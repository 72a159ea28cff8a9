"""A test plan from pack, instruments and criteria, and its bench card."""

from __future__ import annotations

from typing import Any

from dash import ALL, Dash, Input, Output, State, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.criteria import DEFAULT_SET
from cycler.errors import InputError
from cycler.plan import CONDITIONS, DEFAULT_CONDITIONS
from dashboard import components, ids, ids_plan, text
from dashboard import text_plan as words
from dashboard.address import pack_address
from dashboard.data import CHEMISTRIES, Door
from dashboard.door.plans import PlanFor
from dashboard.pages import plan_result
from dashboard.uploads import Uploads

OFFERED = 20
KEPT = {"persistence": True, "persistence_type": "session"}
LINKED = ("run", "job", "pack")
FLAGS = "flags"


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return html.Div(
        [
            dcc.Store(id=ids_plan.PLAN_BASIS), dcc.Store(id=ids_plan.PLAN_ASKED), dcc.Download(id=ids_plan.PLAN_DOWNLOAD), dcc.RadioItems(id=ids_plan.PLAN_KIND),
            dcc.Dropdown(id=ids_plan.PLAN_PACK), html.Div(id=ids_plan.PLAN_PACK_BOX), html.Div(id=ids_plan.PLAN_TYPED_BOX), dcc.RadioItems(id=ids_plan.PLAN_CRITERIA),
            dcc.Dropdown(id=ids_plan.PLAN_CONDITIONS), dcc.Input(id=ids_plan.PLAN_RATE), dcc.Checklist(id=ids_plan.PLAN_CHOICES), html.Button(id=ids_plan.PLAN_MAKE),
            html.Div(id=ids_plan.PLAN_ERROR), html.Div(id=ids_plan.PLAN_RESULT), html.Button(id=ids_plan.PLAN_CARD), html.Button(id=ids_plan.PLAN_KEEP), html.Span(id=ids_plan.PLAN_KEPT),
        ]
    )


def basis_of(query: dict[str, str]) -> dict[str, str]:
    """What the address asks a plan for: a run before a job before a pack; nothing: it is chosen on the page."""
    kind = next((name for name in LINKED if query.get(name)), "")
    return {"kind": kind, "key": query.get(kind, ""), "job": query.get("job", "")} if kind else {"kind": "", "key": "", "job": ""}


def layout(door: Door, query: dict[str, str]) -> tuple[Component, str]:
    """Page and title."""
    basis = basis_of(query)
    told, first_charge, criteria, own = None, False, DEFAULT_SET, []
    if basis["kind"] == "run" and basis["key"].isdecimal() and len(basis["key"]) < 10:
        criteria, own = door.usual(int(basis["key"]))[0], door.own_sets(int(basis["key"]))
    if query.get("criteria") in [item.name for item in (*door.criteria_sets(), *own)]:
        criteria = query["criteria"]
    known, missing = None, None
    if basis["kind"]:
        try:
            known = door.plan_basis(basis["kind"], basis["key"], criteria if basis["kind"] == "run" else "")
            first_charge = known.first_charge
        except InputError as error:
            if basis["kind"] == "run":
                raise
            missing = error  # nothing is known of its ratings: they are typed here
        told = _context(basis, known.pack_id if known is not None else query.get("pack", ""))
        if missing is not None:
            basis = {"kind": "", "key": "", "job": basis["job"]}
    fixed = basis["kind"] in ("run", "job")
    form, form_error = _equipment_values(door)
    choices = ["first_charge"] if first_charge else []
    sets = [{"value": item.name, "label": item.title} for item in (*door.criteria_sets(), *own)]
    result, trouble, asked = None, form_error or missing, None
    if known is not None and form_error is None and door.equipment() is not None:
        wanted = PlanFor(basis["kind"], basis["key"], (), criteria, DEFAULT_CONDITIONS, "", False, first_charge, False)
        result, trouble, asked = made(door, wanted, basis)
    page = html.Div(
        [
            html.H1(words.TITLE), told, html.P(words.LEAD, className="lead"),
            html.Div(
                [
                    None if fixed else _pack_part(door, basis),
                    _hidden_pack() if fixed else None,
                    _bench_part(form, door.equipment() is not None if form_error is None else False),
                    components.section(
                        words.JUDGED_TITLE,
                        [
                            components.field(words.CRITERIA, dcc.RadioItems(id=ids_plan.PLAN_CRITERIA, value=criteria, className="choice", inline=True, options=sets)),
                            html.Div(
                                [
                                    components.field(words.CONDITIONS, dcc.Dropdown(
                                        id=ids_plan.PLAN_CONDITIONS, value=DEFAULT_CONDITIONS, clearable=False, searchable=False,
                                        options=[{"value": name, "label": words.CONDITION_WORDS.get(name, name)} for name in CONDITIONS],
                                    )),
                                    components.field(words.RATE, dcc.Input(id=ids_plan.PLAN_RATE, type="text", inputMode="decimal", autoComplete="off", maxLength=8, placeholder=words.RATE_HINT)),
                                ],
                                className="field-grid plan-conditions",
                            ),
                            dcc.Checklist(id=ids_plan.PLAN_CHOICES, value=choices, className="choice choice-tall",
                                          options=[{"value": key, "label": label} for key, label in words.CHOICES.items()]),
                        ],
                    ),
                    html.Div(html.Button(words.MAKE, id=ids_plan.PLAN_MAKE, type="button", className="button button-main"), className="act-row"),
                ],
                className="plan-form no-print",
            ),
            html.Div(components.error_panel(trouble) if trouble else None, id=ids_plan.PLAN_ERROR, role="status"),
            html.Div(result, id=ids_plan.PLAN_RESULT, role="region", **{"aria-label": words.RESULT_LABEL}),
            dcc.Store(id=ids_plan.PLAN_BASIS, data=basis), dcc.Store(id=ids_plan.PLAN_ASKED, data=asked), dcc.Download(id=ids_plan.PLAN_DOWNLOAD),
        ],
        className="page page-plan",
    )
    return page, words.TITLE


def _context(basis: dict[str, str], pack_id: str) -> Component:
    """What the plan is for, and the way back there."""
    kind, key = basis["kind"], basis["key"]
    if kind == "run":
        links = [dcc.Link(words.TO_RUN.format(key=key), href=f"/run/{key}/verdict")]
    else:
        links = [dcc.Link(words.TO_JOB.format(key=key), href=f"/job/{key}")] if kind == "job" else []
    if pack_id:
        links.append(dcc.Link(words.TO_PACK.format(key=pack_id), href=pack_address(pack_id)))
    said = {"run": words.FOR_RUN, "job": words.FOR_JOB, "pack": words.FOR_PACK}[kind].format(key=key)
    return html.Div([html.Strong(said), *links], className="back-link plan-context")


def _pack_part(door: Door, basis: dict[str, str]) -> Component:
    chosen = basis["key"] if basis["kind"] == "pack" else None
    kind = "pack" if chosen or (not basis["job"] and any(item.newest for item in door.find_packs("", OFFERED))) else "typed"
    fields = [
        components.field(label, dcc.Input(id={"type": ids_plan.PLAN_FIELD, "key": key}, type="text", autoComplete="off", maxLength=60, placeholder=hint, **KEPT))
        for key, label, hint in words.PACK_FIELDS
    ]
    fields.insert(1, components.field(words.CHEMISTRY, dcc.Dropdown(
        id={"type": ids_plan.PLAN_FIELD, "key": "chemistry"}, placeholder=words.UNKNOWN, options=[{"value": key, "label": text.CHEMISTRY_WORDS.get(key, key)} for key in CHEMISTRIES], **KEPT,
    )))
    return components.section(
        words.PACK_TITLE,
        [
            dcc.RadioItems(id=ids_plan.PLAN_KIND, value=kind, className="choice", inline=True, options=[{"value": key, "label": label} for key, label in words.PACK_KINDS.items()]),
            html.Div(components.field(words.PACK, dcc.Dropdown(id=ids_plan.PLAN_PACK, value=chosen, options=pack_options(door, "", chosen), placeholder=words.PACK_HINT)),
                     id=ids_plan.PLAN_PACK_BOX, hidden=kind != "pack"),
            html.Div(html.Div(fields, className="field-grid"), id=ids_plan.PLAN_TYPED_BOX, hidden=kind != "typed"),
        ],
    )


def _hidden_pack() -> Component:
    """The choice of a pack where the address names what the plan is for."""
    return html.Div(
        [dcc.RadioItems(id=ids_plan.PLAN_KIND, options=[]), dcc.Dropdown(id=ids_plan.PLAN_PACK), html.Div(id=ids_plan.PLAN_PACK_BOX), html.Div(id=ids_plan.PLAN_TYPED_BOX)], hidden=True,
    )


def pack_options(door: Door, typed: str | None, chosen: str | None) -> list[dict[str, str]]:
    """Packs with a run that fit what was typed, the chosen one first."""
    found = [item for item in door.find_packs((typed or "").strip(), OFFERED) if item.newest]
    options = {item.id: f"{item.id} · {text.build_text(item)}" for item in found}
    if chosen and chosen not in options:
        options = {chosen: chosen} | options
    return [{"value": key, "label": label, "search": label} for key, label in options.items()]


def _equipment_values(door: Door) -> tuple[dict[str, Any], InputError | None]:
    """The form of the equipment; a file that cannot be read is told and leaves the form empty."""
    try:
        return door.equipment_form(), None
    except InputError as error:
        return {}, error


def _bench_part(form: dict[str, Any], kept: bool) -> Component:
    parts = [html.P(words.BENCH_HINT, className="hint")]
    for part, title in words.PARTS.items():
        def control(key: str, hint: str, part: str = part) -> Component:
            return dcc.Input(
                id={"type": ids_plan.PLAN_EQUIPMENT, "key": f"{part}.{key}"}, type="text", autoComplete="off", maxLength=60, placeholder=hint, value=form.get(f"{part}.{key}", ""),
            )

        flags = {"at_hand": words.AT_HAND, **words.PART_FLAGS[part]}
        on = [key for key in flags if form.get(f"{part}.{key}")]
        fields = [components.field(words.NAME, control("name", ""), spoken=f"{words.NAME} {title}")]
        fields += [components.field(label, control(key, hint), spoken=f"{label} {title}") for key, label, hint in words.PART_FIELDS[part]]
        inside = [
            dcc.Checklist(id={"type": ids_plan.PLAN_EQUIPMENT, "key": f"{part}.{FLAGS}"}, value=on, className="choice plan-flags", options=[{"value": key, "label": label} for key, label in flags.items()]),
            html.Div(fields, className="field-grid"),
        ]
        if part in words.PART_LISTS:
            key, label, options = words.PART_LISTS[part]
            entries = options or {name: text.CHEMISTRY_WORDS.get(name, name) for name in CHEMISTRIES}
            inside.append(components.field(label, dcc.Checklist(
                id={"type": ids_plan.PLAN_EQUIPMENT, "key": f"{part}.{key}"}, value=form.get(f"{part}.{key}") or [], className="choice plan-list",
                options=[{"value": name, "label": called} for name, called in entries.items()],
            )))
        parts.append(html.Fieldset([html.Legend(title), *inside], className="plan-part"))
    said = ", ".join(str(form.get(f"{part}.name")) for part in words.PARTS if form.get(f"{part}.name"))
    return html.Section(components.fold(words.BENCH_TITLE + (f": {said}" if kept and said else ""), html.Div(parts), is_open=not kept), className="part plan-bench")


def form_values(keys: list[dict[str, str]], values: list[Any]) -> dict[str, Any]:
    """Equipment as typed, ticks taken apart to one entry each."""
    found: dict[str, Any] = {}
    for item, value in zip(keys, values):
        part, _, key = item["key"].partition(".")
        if key == FLAGS:
            found |= {f"{part}.{flag}": flag in (value or ()) for flag in ("at_hand", *words.PART_FLAGS[part])}
        else:
            found[item["key"]] = value
    return found


def made(door: Door, asked: PlanFor, basis: dict[str, str]) -> tuple[Component | None, InputError | None, dict[str, Any] | None]:
    """The plan as a page part, or what is wrong; and what was asked, for the card and the job."""
    try:
        plan = door.plan(asked)
        criteria = door.criteria(asked.criteria)
    except InputError as error:
        return None, error, None
    pack_id = plan["pack"].get("id")
    job = int(basis["job"]) if basis.get("job", "").isdecimal() else door.job_of_pack(pack_id) if pack_id and asked.kind != "typed" else None
    kept = {"kind": asked.kind, "key": asked.key, "typed": [list(pair) for pair in asked.typed], "criteria": asked.criteria, "conditions": asked.conditions, "rate": asked.rate,
            "required_only": asked.required_only, "first_charge": asked.first_charge, "two_current": asked.two_current}
    return plan_result.body(plan, plan_result.labels_of(criteria), job), None, {"plan": kept, "job": job}


def asked_of(kept: dict[str, Any]) -> PlanFor:
    """What was asked, as the page holds it."""
    return PlanFor(**{**kept, "typed": tuple((str(key), str(value)) for key, value in kept["typed"])})


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the page."""

    @app.callback(Output(ids_plan.PLAN_PACK_BOX, "hidden"), Output(ids_plan.PLAN_TYPED_BOX, "hidden"), Input(ids_plan.PLAN_KIND, "value"), prevent_initial_call=True)
    def show_pack_kind(kind: str | None) -> tuple[bool, bool]:
        return kind != "pack", kind != "typed"

    @app.callback(Output(ids_plan.PLAN_PACK, "options"), Input(ids_plan.PLAN_PACK, "search_value"), State(ids_plan.PLAN_PACK, "value"), prevent_initial_call=True)
    def search(typed: str | None, chosen: str | None) -> list[dict[str, str]]:
        return pack_options(door, typed, chosen)

    @app.callback(
        Output(ids_plan.PLAN_RESULT, "children"), Output(ids_plan.PLAN_ERROR, "children"), Output(ids_plan.PLAN_ASKED, "data"),
        Input(ids_plan.PLAN_MAKE, "n_clicks"), State(ids_plan.PLAN_BASIS, "data"), State(ids_plan.PLAN_KIND, "value"), State(ids_plan.PLAN_PACK, "value"),
        State({"type": ids_plan.PLAN_FIELD, "key": ALL}, "value"), State({"type": ids_plan.PLAN_FIELD, "key": ALL}, "id"),
        State({"type": ids_plan.PLAN_EQUIPMENT, "key": ALL}, "value"), State({"type": ids_plan.PLAN_EQUIPMENT, "key": ALL}, "id"),
        State(ids_plan.PLAN_CRITERIA, "value"), State(ids_plan.PLAN_CONDITIONS, "value"), State(ids_plan.PLAN_RATE, "value"), State(ids_plan.PLAN_CHOICES, "value"),
        prevent_initial_call=True,
    )
    def make(
        clicks: int | None, basis: dict[str, str], kind: str | None, pack: str | None, typed: list[Any], typed_ids: list[Any], bench: list[Any], bench_ids: list[Any],
        criteria: str, conditions: str, rate: str | None, choices: list[str] | None,
    ) -> tuple[Any, Any, Any]:
        if not clicks:
            raise PreventUpdate
        chosen = set(choices or ())
        if basis["kind"] in ("run", "job"):
            kind, key = basis["kind"], basis["key"]
        else:
            key = pack or ""
        fields = tuple((item["key"], str(value)) for item, value in zip(typed_ids, typed) if value not in (None, "")) if kind == "typed" else ()
        try:
            door.keep_equipment(form_values(bench_ids, bench), words.BENCH_TITLE)
            if (kind == "pack" and not key) or (kind == "typed" and not fields):
                raise InputError(words.NO_PACK_WHAT, words.PACK_TITLE, words.NO_PACK_WHY, words.NO_PACK_MEND)
        except InputError as error:
            return None, components.error_panel(error), None
        asked = PlanFor(kind or "typed", key if kind != "typed" else "", fields, criteria, conditions, (rate or "").strip(), *(name in chosen for name in words.CHOICES))
        result, trouble, kept = made(door, asked, basis)
        return result, components.error_panel(trouble) if trouble else None, kept

    @app.callback(Output(ids_plan.PLAN_DOWNLOAD, "data"), Input(ids_plan.PLAN_CARD, "n_clicks"), State(ids_plan.PLAN_ASKED, "data"), prevent_initial_call=True)
    def save_card(clicks: int | None, kept: dict[str, Any] | None) -> dict[str, str]:
        if not clicks or not kept:
            raise PreventUpdate
        name, content = door.plan_card(asked_of(kept["plan"]))
        return {"filename": name, "content": content, "type": "text/html"}

    @app.callback(
        Output(ids_plan.PLAN_KEPT, "children"), Output(ids_plan.PLAN_KEEP, "disabled"), Input(ids_plan.PLAN_KEEP, "n_clicks"), State(ids_plan.PLAN_ASKED, "data"),
        State({"type": ids.PACK_WHO, "form": "plan"}, "value"), prevent_initial_call=True,
    )
    def keep(clicks: int | None, kept: dict[str, Any] | None, who: str | None) -> tuple[str, bool]:
        if not clicks or not kept or kept.get("job") is None:
            raise PreventUpdate
        door.keep_plan(kept["job"], asked_of(kept["plan"]), who or "")
        return words.KEPT.format(job=kept["job"]), True
