"""Two to eight runs held against each other; the address keeps everything that is chosen."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update, set_props
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from dashboard import components, exports, ids, text
from dashboard import text_compare as words
from dashboard.address import query_of, zoomed_edges
from dashboard.data import COMPARE_MAX, Door, RunItem, run_name
from dashboard.figures import style
from dashboard.figures.overlay import View, axis_scale, overlay
from dashboard.pages import comparison_parts as parts
from dashboard.pages import incremental
from dashboard.pages.comparison_groups import group_cell, group_figure, group_tables
from dashboard.pages.comparison_parts import Chosen, chosen_of
from dashboard.pages.comparison_state import (
    DERIVED_FOLD,
    FOLDS,
    GROUPS_FOLD,
    Choice,
    choice_of,
    same_view,
    search_of,
)
from dashboard.pages.comparison_table import difference_cell, difference_table, summary

__all__ = ["choice_of", "difference_cell", "group_cell", "layout", "register", "search_of", "skeleton"]

GRAPH_CONFIG = {**style.GRAPH_CONFIG, "displayModeBar": False, "doubleClick": "autosize", "showTips": False}


# ---- layout ------------------------------------------------------------------------------------------------------


def skeleton() -> Component:
    """Every component of the page that a callback names, for the checks at start."""
    return html.Div(_page(Choice(), Chosen(), [], []))


def layout(door: Door, query: dict[str, str]) -> Component:
    """The page; figure and tables follow by their callbacks."""
    choice = choice_of(query)
    chosen = chosen_of(door, choice)
    return html.Div(_page(choice, chosen, pick_options(door, choice, "", chosen), pair_options(door, chosen)), className="page page-compare")


def _page(choice: Choice, chosen: Chosen, options: list[dict[str, Any]], pair: list[dict[str, Any]]) -> list[Component]:
    pair_view = bool(choice.before_after)
    return [
        html.Div(id=ids.COMPARE_DANGER),
        html.H1(head_words(choice), id=ids.COMPARE_HEAD, className="own-words"),
        *(dcc.Store(id=store) for store in (ids.COMPARE_SYNC, ids.COMPARE_DRAWN, ids.COMPARE_TABLED, ids.COMPARE_DERIVED_KEY, ids.COMPARE_FOLDS)),
        html.Div(
            [
                components.field(
                    words.PICK,
                    dcc.Dropdown(id=ids.COMPARE_PICK, options=options, value=tokens_of(choice), multi=True, clearable=True, debounce=False,
                                 placeholder=words.PICK_HINT, className="wide-drop", optionHeight="auto", maxHeight=420),
                    class_name="field-wide",
                ),
                components.field(
                    text.COMPARE_REFERENCE,
                    dcc.RadioItems(id=ids.COMPARE_REFERENCE, options=reference_options(chosen.runs), value=chosen.reference or None,
                                   className="choice", inline=True),
                ),
            ],
            id=ids.COMPARE_FREE, className="tool-row no-print", hidden=pair_view,
        ),
        html.Div(
            [
                components.field(words.BEFORE, _pair_drop(ids.COMPARE_BEFORE, pair, chosen.runs[:1]), class_name="field-pair"),
                components.field(words.AFTER, _pair_drop(ids.COMPARE_AFTER, pair, chosen.runs[1:2]), class_name="field-pair"),
                dcc.Link(words.FREELY, href=free_address(chosen), id=ids.COMPARE_FREELY, className="button"),
            ],
            id=ids.COMPARE_PAIR, className="tool-row no-print", hidden=not (pair_view and chosen.runs),
        ),
        html.Div(id=ids.COMPARE_SAID),
        html.Div(id=ids.COMPARE_NOTE),
        html.Div(
            [
                html.Div(id=ids.COMPARE_SUMMARY),
                html.Div(id=ids.COMPARE_KEYS),
                _curve_part(choice, chosen),
                html.Div(id=ids.COMPARE_TABLE),
                html.Div(
                    [
                        html.Div(id=ids.COMPARE_GROUP_PART),
                        _fold(ids.COMPARE_FOLD_GROUPS, GROUPS_FOLD, words.GROUPS_TABLES, ids.COMPARE_GROUP_TABLES, choice),
                    ],
                    className="part part-groups",
                ),
                html.Div(_fold(ids.COMPARE_FOLD_DERIVED, DERIVED_FOLD, words.DERIVED, ids.COMPARE_DERIVED, choice), className="part"),
            ],
            id=ids.COMPARE_BODY, hidden=True,
        ),
    ]


def _pair_drop(own: str, options: list[dict[str, Any]], value: Sequence[int]) -> Component:
    return dcc.Dropdown(id=own, options=options, value=value[0] if value else None, clearable=False, searchable=False, className="short-drop")


def _curve_part(choice: Choice, chosen: Chosen) -> Component:
    view = choice.view
    return html.Section(
        [
            html.Div(
                [
                    _radio(words.AXIS, ids.COMPARE_AXIS, words.AXIS_CHOICE, view.axis),
                    _radio(words.PART, ids.COMPARE_PART, words.PART_CHOICE, "charge" if view.charge else "discharge"),
                    _radio(words.QUANTITY, ids.COMPARE_QUANTITY, words.QUANTITY_CHOICE, view.quantity),
                    html.Div(
                        components.field(
                            words.GROUP,
                            dcc.Dropdown(id=ids.COMPARE_GROUP, options=group_options(max(view.group or 1, 1)), value=view.group, clearable=False,
                                         searchable=False, className="group-drop"),
                        ),
                        id=ids.COMPARE_GROUP_BOX, hidden=view.quantity != "group",
                    ),
                    components.field(
                        words.EXTRAS,
                        dcc.Checklist(id=ids.COMPARE_EXTRAS, options=_options(words.EXTRAS_CHOICE), value=list(view.extras), className="choice", inline=True),
                    ),
                ],
                className="tool-row view-row no-print",
            ),
            html.Div(
                components.loading(
                    dcc.Graph(id=ids.COMPARE_CURVE, config=GRAPH_CONFIG, figure=style.empty_figure("", 400), responsive=True, style={"height": "400px"})
                ),
                className="curve-place",
            ),
            html.Div(
                [
                    html.Button(words.WHOLE, id=ids.COMPARE_WHOLE, className="button quiet-button", type="button", hidden=view.window is None),
                    html.Span(words.DRAG, className="hint"),
                    html.Div(id=ids.COMPARE_EXPORT, className="act-row take-along"),
                ],
                className="act-row curve-acts no-print",
            ),
            html.Div(id=ids.COMPARE_WORDS),
        ],
        className="part part-curve",
    )


def _options(choices: dict[str, str]) -> list[dict[str, str]]:
    return [{"value": key, "label": label} for key, label in choices.items()]


def _radio(label: str, own: str, choices: dict[str, str], value: str) -> Component:
    return components.field(label, dcc.RadioItems(id=own, value=value, className="choice", inline=True, options=_options(choices)))


def _fold(own: str, name: str, title: str, inner: str, choice: Choice) -> Component:
    body = components.loading(html.Div(id=inner))
    return html.Details(
        [html.Summary(title), body], id=own, open=name in choice.folds, className="fold",
        **{"data-fold": name, "data-fold-store": ids.COMPARE_FOLDS},
    )


def head_words(choice: Choice) -> str:
    """Heading of the page."""
    return words.BEFORE_AFTER_TITLE.format(pack=choice.before_after) if choice.before_after else text.COMPARE_TITLE


def free_address(chosen: Chosen) -> str:
    """Address of the comparison of the same runs without the before and after."""
    return "/compare" + search_of(Choice(tuple(("run", str(run)) for run in chosen.runs)))


# ---- options ---------------------------------------------------------------------------------------------------------


def tokens_of(choice: Choice) -> list[str]:
    """Values of the drop-down for a choice."""
    return [f"{kind}:{value}" for kind, value in choice.picks]


def picks_of(tokens: Sequence[str] | None) -> tuple[tuple[str, str], ...]:
    """The choice that the drop-down's values mean; runs stand before packs, as in the address."""
    pairs = [tuple(token.split(":", 1)) for token in tokens or () if ":" in token]
    return tuple(sorted(((kind, value) for kind, value in pairs), key=lambda pair: pair[0] != "run"))[:COMPARE_MAX]


def pick_options(door: Door, choice: Choice, typed: str, chosen: Chosen | None = None) -> list[dict[str, Any]]:
    """What the drop-down offers: what is chosen, then packs and runs that the search finds."""
    options: dict[str, str] = {}
    for one in door.picked(choice.picks):
        if one.pack is not None:
            options[f"pack:{one.pack}"] = _pack_label(one.pack, one.item)
        else:
            options[f"run:{one.run}"] = run_label(one.item) if one.item else text.COMPARE_MISSING.format(id=one.run)
    packs, runs = door.offered(typed)
    found = {f"pack:{pack.id}": _pack_label(pack.id, pack.newest) for pack in packs} | {f"run:{run.id}": run_label(run) for run in runs}
    # What the register has found is shown whatever the drop-down thinks of the words; what is only chosen must not push it aside.
    return [
        {"value": value, "label": label, "search": f"{typed} {label}" if value in found else label} for value, label in (options | found).items()
    ]


def _pack_label(pack: str, newest: RunItem | None) -> str:
    return words.PICK_PACK.format(pack=pack, id=newest.id) if newest else words.PICK_PACK_NONE.format(pack=pack)


def run_label(item: RunItem) -> str:
    """A run in a drop-down."""
    return words.PICK_WITHDRAWN.format(name=run_name(item)) if item.withdrawn else run_name(item)


def pair_options(door: Door, chosen: Chosen) -> list[dict[str, Any]]:
    """Runs of the pack of a before and after, the oldest first; one that was withdrawn only where it was asked for."""
    if not chosen.pack:
        return []
    items = {item.id: item for item in door.counting(chosen.pack)} | {item.id: item for item in chosen.items}
    return [{"value": run, "label": run_label(items[run])} for run in sorted(items)]


def reference_options(runs: Sequence[int]) -> list[dict[str, Any]]:
    """Letters of the chosen runs."""
    return [{"value": run, "label": style.RUN_LETTERS[i]} for i, run in enumerate(runs)]


def group_options(most: int) -> list[dict[str, Any]]:
    """Numbers of the groups."""
    return [{"value": number, "label": words.GROUP_N.format(n=number)} for number in range(1, most + 1)]


# ---- callbacks -------------------------------------------------------------------------------------------------------


def register(app: Dash, door: Door) -> None:
    """Wire the page."""
    _register_address(app, door)
    _register_content(app, door)


def _elsewhere(pathname: str | None) -> bool:
    return pathname != "/compare"


def _changed(search: str | None, wanted: Choice) -> str:
    """The new query, or nothing to do if the address says the same already."""
    now = search_of(wanted)
    if now == search_of(choice_of(query_of(search))):
        raise PreventUpdate
    return now


def _register_address(app: Dash, door: Door) -> None:
    @app.callback(
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.COMPARE_PICK, "value"), Input(ids.COMPARE_REFERENCE, "value"), Input(ids.COMPARE_BEFORE, "value"), Input(ids.COMPARE_AFTER, "value"),
        State(ids.URL, "search"), State(ids.URL, "pathname"),
        prevent_initial_call=True,
    )
    def keep_runs(
        picked: list[str] | None, reference: int | None, before: int | None, after: int | None, search: str | None, pathname: str
    ) -> str:
        if _elsewhere(pathname):
            raise PreventUpdate
        choice = choice_of(query_of(search))
        chosen = chosen_of(door, choice)
        wanted = choice
        if choice.before_after:
            if before and after and (before, after) != chosen.runs:
                wanted = replace(choice, picks=(("run", str(before)), ("run", str(after))))
        else:
            picks = picks_of(picked)
            if picks != choice.picks:
                wanted = replace(choice, picks=picks)
            elif reference is not None and reference != chosen.reference and reference in chosen.runs:
                wanted = replace(choice, reference=reference if reference != chosen.runs[0] else None)
        return _changed(search, wanted)

    @app.callback(
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.COMPARE_AXIS, "value"), Input(ids.COMPARE_QUANTITY, "value"), Input(ids.COMPARE_GROUP, "value"), Input(ids.COMPARE_PART, "value"),
        Input(ids.COMPARE_EXTRAS, "value"), State(ids.URL, "search"), State(ids.URL, "pathname"),
        prevent_initial_call=True,
    )
    def keep_view(
        axis: str, quantity: str, group: int | None, part: str, extras: list[str] | None, search: str | None, pathname: str
    ) -> str:
        if _elsewhere(pathname):
            raise PreventUpdate
        choice = choice_of(query_of(search))
        if quantity != "group":
            group = None
        elif group is None:
            group = _first_group(door, choice)
        kept = tuple(key for key in words.EXTRAS_CHOICE if key in (extras or ()))
        return _changed(search, same_view(choice, axis=axis, quantity=quantity, group=group, charge=part == "charge", extras=kept))

    @app.callback(
        Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.COMPARE_CURVE, "relayoutData"), Input(ids.COMPARE_WHOLE, "n_clicks"),
        State(ids.COMPARE_DRAWN, "data"), State(ids.URL, "search"), State(ids.URL, "pathname"),
        prevent_initial_call=True,
    )
    def keep_window(relayout: dict[str, Any] | None, _clicks: int | None, drawn: dict[str, Any] | None, search: str | None, pathname: str) -> str:
        if _elsewhere(pathname) or not drawn:
            raise PreventUpdate
        choice = choice_of(query_of(search))
        window = None if ctx.triggered_id == ids.COMPARE_WHOLE else window_of(relayout, float(drawn["per_unit"]))
        if isinstance(window, str):  # "same"
            raise PreventUpdate
        return _changed(search, replace(choice, view=replace(choice.view, window=window)))

    @app.callback(
        Output(ids.URL, "search", allow_duplicate=True), Input(ids.COMPARE_FOLDS, "data"),
        State(ids.URL, "search"), State(ids.URL, "pathname"),
        prevent_initial_call=True,
    )
    def keep_folds(told: dict[str, Any] | None, search: str | None, pathname: str) -> str:
        if _elsewhere(pathname) or not told or told.get("fold") not in FOLDS:
            raise PreventUpdate
        choice = choice_of(query_of(search))
        folds = set(choice.folds) | {told["fold"]} if told.get("open") else set(choice.folds) - {told["fold"]}
        return _changed(search, replace(choice, folds=tuple(name for name in FOLDS if name in folds)))

    @app.callback(
        Output(ids.COMPARE_PICK, "options"), Input(ids.COMPARE_PICK, "search_value"), State(ids.URL, "search"), State(ids.URL, "pathname"),
        prevent_initial_call=True,
    )
    def offer(typed: str | None, search: str | None, pathname: str) -> list[dict[str, Any]]:
        if _elsewhere(pathname):
            raise PreventUpdate
        return pick_options(door, choice_of(query_of(search)), (typed or "")[:200])

    @app.callback(
        Output(ids.COMPARE_SYNC, "data"), Output(ids.COMPARE_FREE, "hidden"), Output(ids.COMPARE_PAIR, "hidden"), Output(ids.COMPARE_HEAD, "children"),
        Output(ids.COMPARE_GROUP_BOX, "hidden"), Output(ids.COMPARE_WHOLE, "hidden"), Output(ids.COMPARE_FREELY, "href"),
        Output(ids.COMPARE_FOLD_GROUPS, "open"), Output(ids.COMPARE_FOLD_DERIVED, "open"),
        Input(ids.URL, "search"), State(ids.URL, "pathname"), State(ids.COMPARE_PICK, "value"), State(ids.COMPARE_GROUP, "options"),
        State(ids.COMPARE_FOLD_GROUPS, "open"), State(ids.COMPARE_FOLD_DERIVED, "open"),
        State(ids.COMPARE_AXIS, "value"), State(ids.COMPARE_QUANTITY, "value"), State(ids.COMPARE_PART, "value"), State(ids.COMPARE_EXTRAS, "value"),
        prevent_initial_call=True,
    )
    def follow_address(
        search: str | None, pathname: str, picked: list[str] | None, groups: list[dict[str, Any]] | None,
        groups_open: bool | None, derived_open: bool | None, *shown: Any,
    ) -> tuple[Any, ...]:
        if _elsewhere(pathname):
            raise PreventUpdate
        choice = choice_of(query_of(search))
        chosen, view = chosen_of(door, choice), choice.view
        if tokens_of(choice) != (picked or []):
            set_props(ids.COMPARE_PICK, {"options": pick_options(door, choice, ""), "value": tokens_of(choice)})
        set_props(ids.COMPARE_REFERENCE, {"options": reference_options(chosen.runs), "value": chosen.reference or None})
        # What stands as the address says is left alone: it may be pressed while this answer is on its way.
        wanted = (view.axis, view.quantity, "charge" if view.charge else "discharge", list(view.extras))
        for own, value, now in zip((ids.COMPARE_AXIS, ids.COMPARE_QUANTITY, ids.COMPARE_PART, ids.COMPARE_EXTRAS), wanted, shown):
            if value != now:
                set_props(own, {"value": value})
        most = max(len(groups or ()), view.group or 1)
        set_props(ids.COMPARE_GROUP, {"options": group_options(most), "value": view.group})
        if choice.before_after:
            options = pair_options(door, chosen)
            for own, run in zip((ids.COMPARE_BEFORE, ids.COMPARE_AFTER), chosen.runs or (None, None)):
                set_props(own, {"options": options, "value": run})
        pair = bool(choice.before_after)
        return (
            search, pair, not (pair and chosen.runs), head_words(choice), view.quantity != "group", view.window is None, free_address(chosen),
            *(no_update if (name in choice.folds) == bool(now) else name in choice.folds
              for name, now in ((GROUPS_FOLD, groups_open), (DERIVED_FOLD, derived_open))),
        )


def _first_group(door: Door, choice: Choice) -> int:
    chosen = chosen_of(door, choice)
    return int(door.run(chosen.reference).analysis.get("limiting_group") or 1) if chosen.reference else 1


def window_of(relayout: dict[str, Any] | None, per_unit: float) -> tuple[float, float] | str | None:
    """Window in the axis' inner unit that a zoom asks for; ``None`` for the whole, "same" if the zoom is not about the axis."""
    edges = zoomed_edges(relayout)
    if edges is None or edges == "same":
        return edges
    low, high = sorted(float(f"{edge * per_unit:.6g}") for edge in edges)
    return (low, high) if low < high and abs(low) < 1e12 and abs(high) < 1e12 else "same"


def _key(*parts_of: Any) -> str:
    return json.dumps(parts_of, default=str)


def view_key(view: View) -> tuple[Any, ...]:
    """A view as plain values."""
    return view.axis, view.quantity, view.group, view.charge, view.extras, view.window


def _register_content(app: Dash, door: Door) -> None:
    @app.callback(
        Output(ids.COMPARE_TABLED, "data"), Output(ids.COMPARE_SAID, "children"), Output(ids.COMPARE_NOTE, "children"), Output(ids.COMPARE_BODY, "hidden"),
        Output(ids.COMPARE_DANGER, "children"), Output(ids.COMPARE_SUMMARY, "children"), Output(ids.COMPARE_KEYS, "children"),
        Output(ids.COMPARE_TABLE, "children"), Output(ids.COMPARE_GROUP_PART, "children"), Output(ids.COMPARE_GROUP_TABLES, "children"),
        Input(ids.URL, "search"), State(ids.URL, "pathname"), State(ids.COMPARE_TABLED, "data"),
    )
    def show_tables(search: str | None, pathname: str, before: str | None) -> tuple[Any, ...]:
        if _elsewhere(pathname):
            raise PreventUpdate
        choice = choice_of(query_of(search))
        chosen = chosen_of(door, choice)
        said = parts.said_lines(chosen.said)
        key = _key(chosen.runs, chosen.packs, chosen.reference, chosen.pack)
        if key == before:
            return (no_update, said, *(no_update,) * 8)
        nothing = (None,) * 6
        if len(chosen.runs) < 2:
            gone = {words.RUN_MISSING.format(id=run) for run in chosen.missing[:1]}  # stands in the panel
            return key, parts.said_lines([line for line in chosen.said if line not in gone]), _too_few(choice, chosen), True, *nothing
        try:
            return key, said, None, False, *tables(door, chosen)
        except InputError as error:
            return key, said, components.error_panel(error), True, *nothing

    @app.callback(
        Output(ids.COMPARE_CURVE, "figure"), Output(ids.COMPARE_CURVE, "style"), Output(ids.COMPARE_DRAWN, "data"),
        Output(ids.COMPARE_WORDS, "children"), Output(ids.COMPARE_EXPORT, "children"),
        Input(ids.URL, "search"), State(ids.URL, "pathname"), State(ids.COMPARE_DRAWN, "data"),
    )
    def show_curves(search: str | None, pathname: str, before: dict[str, Any] | None) -> tuple[Any, ...]:
        if _elsewhere(pathname):
            raise PreventUpdate
        choice = choice_of(query_of(search))
        chosen = chosen_of(door, choice)
        key = _key(chosen.runs, chosen.reference, view_key(choice.view))
        if len(chosen.runs) < 2 or (before or {}).get("key") == key:
            raise PreventUpdate
        try:
            return curves(door, chosen, choice.view, key)
        except InputError as error:
            return style.empty_figure("", 120), {"height": "120px"}, {"key": key, "per_unit": 1.0}, components.error_panel(error), None

    @app.callback(
        Output(ids.COMPARE_DERIVED, "children"), Output(ids.COMPARE_DERIVED_KEY, "data"),
        Input(ids.URL, "search"), State(ids.URL, "pathname"), State(ids.COMPARE_DERIVED_KEY, "data"),
    )
    def show_derived(search: str | None, pathname: str, before: str | None) -> tuple[Any, ...]:
        """Worked out only once it is looked at."""
        if _elsewhere(pathname):
            raise PreventUpdate
        choice = choice_of(query_of(search))
        chosen = chosen_of(door, choice)
        if DERIVED_FOLD not in choice.folds or len(chosen.runs) < 2 or _key(chosen.runs) == before:
            raise PreventUpdate
        letters, names = style.RUN_LETTERS[: len(chosen.runs)], [run_name(item) for item in chosen.items]
        try:
            return incremental.compare_part(door, list(chosen.runs), letters, names), _key(chosen.runs)
        except InputError as error:
            return components.error_panel(error), _key(chosen.runs)


def _too_few(choice: Choice, chosen: Chosen) -> Component:
    if chosen.missing:
        missing = chosen.missing[0]
        try_others = InputError(words.RUN_MISSING.format(id=missing).rstrip("."), text.THE_PAGE, words.MISSING_WHY, text.MEND_NUMBERS)
        return html.Div([components.error_panel(try_others), components.empty_state(words.EMPTY_ONE if chosen.runs else words.EMPTY, words.EMPTY_MORE)])
    if choice.before_after:
        return components.empty_state(words.BEFORE_AFTER_TWO, words.BEFORE_AFTER_MORE)
    return components.empty_state(words.EMPTY_ONE if chosen.runs else words.EMPTY, words.EMPTY_MORE)


def tables(door: Door, chosen: Chosen) -> tuple[Any, ...]:
    """Dangers, sentence, legend, table and groups of two or more runs."""
    reference = chosen.runs.index(chosen.reference)
    result = door.compare(list(chosen.runs), reference)
    letters = style.RUN_LETTERS[: len(chosen.runs)]
    names = [f"{letter} {run_name(item)}" for letter, item in zip(letters, chosen.items)]
    most = max((len(door.run(run).analysis.get("groups") or ()) for run in chosen.runs), default=0)
    set_props(ids.COMPARE_GROUP, {"options": group_options(max(most, 1))})
    said = None
    if chosen.pack:
        before, after = (words.SUM_RUN.format(label=item.label or words.NO_LABEL, id=item.id) for item in chosen.items)
        said = summary(result, 1, before, after)
    table = components.section(
        text.COMPARE_DIFFERENCES.format(letter=letters[reference]),
        [difference_table(result, letters), html.P(parts.table_link(chosen.runs, chosen.reference), className="act-row no-print take-along")],
    )
    figure = group_figure(result, names, ids.COMPARE_GROUP_CURVE)
    groups = [html.H2(text.COMPARE_GROUPS)]
    if figure is None:
        groups.append(html.P(text.COMPARE_GROUPS_NONE, className="quiet"))
    else:
        buttons = parts.picture_buttons(ids.COMPARE_GROUP_CURVE, exports.file_stem(chosen.runs, "groups"), words.PICTURE_GROUPS_TITLE)
        groups += [
            html.P(f"{words.GROUPS_FIGURE} {parts.limiting_words(result)}", className="hint"), figure,
            html.Div(buttons, className="act-row no-print take-along"),
        ]
    return parts.danger_lines(door, chosen), said, parts.run_keys(chosen), table, groups, group_tables(result, letters)


def curves(door: Door, chosen: Chosen, view: View, key: str) -> tuple[Any, ...]:
    """Figure, its height, what was drawn, what it says in words, and the buttons to take it along."""
    reference = chosen.runs.index(chosen.reference)
    runs = door.laid(chosen.runs, view)
    figure, found = overlay(runs, reference, view)
    scale = axis_scale(view, [run for run in runs if not run.missing])
    stem = exports.file_stem(chosen.runs, view.quantity + (str(view.group) if view.quantity == "group" else ""), "charge" if view.charge else "", f"over {view.axis}")
    buttons = parts.picture_buttons(ids.COMPARE_CURVE, stem, parts.picture_title(view, style.RUN_LETTERS[reference]))
    said = parts.figure_words(runs, found, view, reference, scale)
    return figure, {"height": f"{figure.layout.height}px"}, {"key": key, "per_unit": scale[0]}, said, buttons
