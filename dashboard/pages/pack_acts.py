"""What can be done on a pack's page: write on its card, report and close dangers, keep photos, put runs right."""

from __future__ import annotations

from typing import Any

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, html, no_update, set_props
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from dashboard import components, ids, text, text_pack
from dashboard.address import pack_address, query_of, run_numbers
from dashboard.data import Door
from dashboard.pages import pack_card, pack_runs, pack_top
from dashboard.uploads import Uploads

PHOTOS_WAITING_MAX = 10
PHOTO_HEAD_BYTES = 64
"""First bytes by which a photo is told."""


def since_of(query: dict[str, str]) -> int:
    """Run at which an address lets the lines begin, 0 for the first."""
    return next(iter(run_numbers(query.get("since"), 1)), 0)


def register(app: Dash, door: Door, uploads: Uploads) -> None:
    """Wire the page."""
    _register_shown(app, door)
    _register_card(app, door)
    _register_writing(app, door, uploads)
    _register_runs(app, door)


def _register_shown(app: Dash, door: Door) -> None:
    @app.callback(
        Output(ids.PACK_TOP, "children"), Output(ids.PACK_RUNS, "children"), Output(ids.PACK_TREND, "children"), Output(ids.PACK_TREND_BOX, "hidden"),
        Output(ids.PACK_CARD_LIST, "children"), Output(ids.PACK_ACT_RUN, "options"), Output(ids.PACK_SINCE, "options"), Output(ids.PACK_SINCE_BOX, "hidden"),
        Input(ids.PACK_CHANGED, "data"), Input(ids.PACK_CARD_READ, "n_clicks"),
        State(ids.PACK_ID, "data"), State(ids.PACK_SINCE, "value"),
        prevent_initial_call=True,
    )
    def show(changed: int | None, clicks: int | None, pack_id: str, since: int | None) -> tuple[Any, ...]:
        if not (changed or clicks) or not door.pack_known(pack_id):
            raise PreventUpdate
        sheet = door.pack_sheet(pack_id, since or None)
        return (
            pack_top.top(sheet, False), pack_runs.runs_part(sheet), pack_runs.trend_part(sheet), len(sheet.counting) < 2,
            pack_card.card_list(sheet), pack_runs.act_options(sheet), pack_runs.since_options(sheet),
            len(sheet.counting) < 3,
        )

    @app.callback(
        Output(ids.PACK_TREND, "children", allow_duplicate=True), Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.PACK_SINCE, "value"), State(ids.PACK_ID, "data"), State(ids.URL, "pathname"), State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    def begin_lines(since: int | None, pack_id: str, pathname: str, search: str | None) -> tuple[Any, Any]:
        if pathname != pack_address(pack_id) or (since or 0) == since_of(query_of(search)):
            raise PreventUpdate
        return pack_runs.trend_part(door.pack_sheet(pack_id, since or None)), f"?since={since}" if since else ""

    @app.callback(
        Output(ids.PACK_SYNC, "data"), Input(ids.URL, "search"), State(ids.URL, "pathname"), State(ids.PACK_ID, "data"),
        State(ids.PACK_SINCE, "value"),
        prevent_initial_call=True,
    )
    def follow_address(search: str | None, pathname: str, pack_id: str, since: int | None) -> Any:
        wanted = since_of(query_of(search))
        if pathname == pack_address(pack_id) and wanted != (since or 0) and door.pack_known(pack_id):
            set_props(ids.PACK_SINCE, {"value": wanted})
            set_props(ids.PACK_TREND, {"children": pack_runs.trend_part(door.pack_sheet(pack_id, wanted or None))})
        return search  # an answer of its own: without one the properties set above would not reach the page

    @app.callback(
        Output(ids.URL, "pathname", allow_duplicate=True), Output(ids.URL, "search", allow_duplicate=True), Output(ids.NEW_CARD_ERROR, "children"),
        Input(ids.NEW_CARD_GO, "n_clicks"), Input(ids.NEW_CARD_NUMBER, "n_submit"), State(ids.NEW_CARD_NUMBER, "value"),
        prevent_initial_call=True,
    )
    def new_card(clicks: int | None, submits: int | None, number: str | None) -> tuple[Any, Any, Any]:
        if not (clicks or submits):
            raise PreventUpdate
        try:
            pack_id = door.pack_id(number or "")
            known = door.pack_known(pack_id)
        except InputError as error:
            return no_update, no_update, components.error_panel(error)
        return pack_address(pack_id), "" if known else "?new=1", None


def _register_card(app: Dash, door: Door) -> None:
    app.clientside_callback(
        ClientsideFunction(namespace="pack", function_name="who"), Output(ids.WHO_SINK, "data"),
        Input({"type": ids.PACK_WHO, "form": ALL}, "value"), State({"type": ids.PACK_WHO, "form": ALL}, "id"),
    )

    @app.callback(
        Output(ids.PACK_CARD_SAID, "children"), Output(ids.PACK_CHANGED, "data", allow_duplicate=True),
        Input({"type": ids.PACK_ENTRY_ACT, "entry": ALL, "act": ALL}, "n_clicks"),
        State({"type": ids.PACK_ENTRY_TEXT, "entry": ALL}, "value"), State({"type": ids.PACK_ENTRY_TEXT, "entry": ALL}, "id"),
        State({"type": ids.PACK_ENTRY_WHY, "entry": ALL}, "value"), State({"type": ids.PACK_ENTRY_WHY, "entry": ALL}, "id"),
        State({"type": ids.PACK_WHO, "form": ALL}, "value"), State({"type": ids.PACK_WHO, "form": ALL}, "id"),
        State(ids.PACK_ID, "data"), State(ids.PACK_CHANGED, "data"),
        prevent_initial_call=True,
    )
    def change_entry(
        _clicks: list[int | None], texts: list[str | None], text_ids: list[dict[str, Any]], whys: list[str | None], why_ids: list[dict[str, Any]],
        whos: list[str | None], who_ids: list[dict[str, Any]], pack_id: str, changed: int | None,
    ) -> tuple[Any, Any]:
        pressed = ctx.triggered_id
        if not isinstance(pressed, dict) or not any(item["value"] for item in ctx.triggered):
            raise PreventUpdate
        number = int(pressed["entry"])
        words = _of(texts, text_ids, "entry", number)
        why, who = _of(whys, why_ids, "entry", number), _of(whos, who_ids, "form", str(number))
        try:
            if pressed["act"] == "replace":
                door.replace_entry(pack_id, number, words, who, why)
            else:
                door.close_entry(pack_id, number, who, why)
        except InputError as error:
            set_props({"type": ids.PACK_ENTRY_ERROR, "entry": number},
                      {"children": components.error_panel(error, text_pack.NOTHING_WRITTEN)})
            return None, no_update
        done = text_pack.ENTRY_REPLACED if pressed["act"] == "replace" else text_pack.ENTRY_CLOSED
        return html.P(done.format(id=number), className="done"), (changed or 0) + 1


def _of(values: list[Any], names: list[dict[str, Any]], key: str, wanted: Any) -> str:
    """What stands in the field of one form among those of all."""
    return next((str(value) for value, name in zip(values, names, strict=True) if name[key] == wanted and value), "")


def _register_writing(app: Dash, door: Door, uploads: Uploads) -> None:
    app.clientside_callback(
        ClientsideFunction(namespace="pack", function_name="kind"),
        Output(ids.PACK_WRITE_TEXT_BOX, "hidden"), Output(ids.PACK_WRITE_STATUS_BOX, "hidden"), Output(ids.PACK_WRITE_WORK, "hidden"),
        Output(ids.PACK_WRITE_CUSTOMER, "hidden"), Output(ids.PACK_WRITE_TEXT_NAME, "children"),
        Input(ids.PACK_WRITE_KIND, "value"), State(ids.PACK_WRITE_TEXT_NAME, "data-names"),
    )

    @app.callback(
        Output(ids.PACK_PHOTOS, "data"), Output(ids.PACK_PHOTO_LIST, "children"), Output(ids.PACK_PHOTO_ERROR, "children"),
        Input(ids.PACK_PHOTO_EVENT, "data"), Input({"type": ids.PACK_PHOTO_REMOVE, "token": ALL}, "n_clicks"),
        State(ids.PACK_PHOTOS, "data"), State({"type": ids.PACK_PHOTO_CAPTION, "token": ALL}, "value"),
        State({"type": ids.PACK_PHOTO_CAPTION, "token": ALL}, "id"),
        prevent_initial_call=True,
    )
    def take_photos(
        event: dict[str, Any] | None, clicks: list[int | None], waiting: list[dict[str, Any]] | None, captions: list[str | None],
        caption_ids: list[dict[str, Any]],
    ) -> tuple[Any, Any, Any]:
        held = [{**item, "caption": _of(captions, caption_ids, "token", item["token"])} for item in waiting or []]
        if ctx.triggered_id == ids.PACK_PHOTO_EVENT and event:
            errors = [InputError(**{key: str(item[key]) for key in ("what", "where", "why", "mend")}) for item in event.get("errors") or []]
            for item in event.get("files") or []:
                try:
                    held.append(_photo_held(door, uploads, str(item.get("token")), len(held)))
                except InputError as error:
                    errors.append(error)
                    uploads.remove(str(item.get("token")))
            panels = [components.error_panel(error, text_pack.PHOTO_NOT_LOG) for error in errors]
            return held, pack_card.photo_list(held), panels
        if isinstance(ctx.triggered_id, dict) and any(clicks):
            token = ctx.triggered_id["token"]
            uploads.remove(token)
            held = [item for item in held if item["token"] != token]
            return held, pack_card.photo_list(held), None
        raise PreventUpdate

    @app.callback(
        Output(ids.PACK_WRITE_DONE, "children"), Output(ids.PACK_CHANGED, "data", allow_duplicate=True), Output(ids.PACK_NEW, "data"),
        Output(ids.PACK_WRITE_TEXT, "value"), Output(ids.PACK_PHOTOS, "data", allow_duplicate=True),
        Output(ids.PACK_PHOTO_LIST, "children", allow_duplicate=True), Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.PACK_WRITE_GO, "n_clicks"),
        State(ids.PACK_WRITE_KIND, "value"), State(ids.PACK_WRITE_TEXT, "value"), State(ids.PACK_WRITE_STATUS, "value"),
        State({"type": ids.PACK_WHO, "form": "write"}, "value"), State(ids.PACK_PHOTOS, "data"),
        State({"type": ids.PACK_PHOTO_CAPTION, "token": ALL}, "value"), State({"type": ids.PACK_PHOTO_CAPTION, "token": ALL}, "id"),
        State(ids.PACK_ID, "data"), State(ids.PACK_NEW, "data"), State(ids.PACK_CHANGED, "data"),
        running=[(Output(ids.PACK_WRITE_GO, "disabled"), True, False), (Output(ids.PACK_WRITE_BUSY, "children"), text_pack.WRITE_BUSY, "")],
        prevent_initial_call=True,
    )
    def write(
        clicks: int | None, kind: str, words: str | None, status: str | None, who: str | None, waiting: list[dict[str, Any]] | None,
        captions: list[str | None], caption_ids: list[dict[str, Any]], pack_id: str, new: bool, changed: int | None,
    ) -> tuple[Any, ...]:
        if not clicks:
            raise PreventUpdate
        said = (status if kind == "status" else words) or ""
        held = waiting or []
        texts = [(kind, said)] if said.strip() or not held else []
        try:
            raw = uploads.content([item["token"] for item in held])
            photos = [(name, content, _of(captions, caption_ids, "token", item["token"])) for item, (name, content) in zip(held, raw, strict=True)]
            door.write_card(pack_id, texts, photos, who or "", bool(new))
        except InputError as error:
            return components.error_panel(error, text_pack.NOTHING_WRITTEN), *(no_update,) * 6
        for item in held:
            uploads.remove(item["token"])
        what = [text_pack.KIND[kind].lower()] if texts else []
        what += [text.count_text(len(held), text_pack.WRITE_DONE_PHOTOS, text_pack.PHOTOS)] if held else []
        done = html.P(text_pack.WRITE_DONE.format(what=", ".join(what)), className="done")
        return done, (changed or 0) + 1, False, no_update if kind == "status" else "", [], None, "" if new else no_update

    @app.callback(
        Output(ids.PACK_REPORT_DONE, "children"), Output(ids.PACK_CHANGED, "data", allow_duplicate=True), Output(ids.PACK_NEW, "data", allow_duplicate=True),
        Output(ids.PACK_REPORT_TEXT, "value"), Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.PACK_REPORT_GO, "n_clicks"), State(ids.PACK_REPORT_TEXT, "value"), State({"type": ids.PACK_WHO, "form": "report"}, "value"),
        State(ids.PACK_ID, "data"), State(ids.PACK_NEW, "data"), State(ids.PACK_CHANGED, "data"),
        running=[(Output(ids.PACK_REPORT_GO, "disabled"), True, False), (Output(ids.PACK_REPORT_BUSY, "children"), text_pack.WRITE_BUSY, "")],
        prevent_initial_call=True,
    )
    def report(clicks: int | None, words: str | None, who: str | None, pack_id: str, new: bool, changed: int | None) -> tuple[Any, ...]:
        if not clicks:
            raise PreventUpdate
        try:
            door.write_card(pack_id, [("danger", words or "")], [], who or "", bool(new))
        except InputError as error:
            return components.error_panel(error, text_pack.NOTHING_WRITTEN), *(no_update,) * 4
        return components.caution(text_pack.REPORT_DONE, danger=True), (changed or 0) + 1, False, "", "" if new else no_update


def _photo_held(door: Door, uploads: Uploads, token: str, already: int) -> dict[str, Any]:
    """A dropped photo that can be kept. InputError if it is none, too large, or one too many."""
    if already >= PHOTOS_WAITING_MAX:
        raise InputError(text_pack.PHOTOS_MAX_WHAT, uploads.get(token).name, text_pack.PHOTOS_MAX_WHY.format(n=already), text_pack.PHOTOS_MAX_MEND)
    size = uploads.get(token).bytes
    name, head, _whole = uploads.head(token, PHOTO_HEAD_BYTES)
    door.check_photo(name, head, size)
    return {"token": token, "name": name, "bytes": size}


def _register_runs(app: Dash, door: Door) -> None:
    @app.callback(
        Output(ids.PACK_ACT_KIND, "options"), Output(ids.PACK_ACT_KIND, "value"), Output(ids.PACK_ACT_LABEL, "value"),
        Input(ids.PACK_ACT_RUN, "value"), Input(ids.PACK_CHANGED, "data"), State(ids.PACK_ID, "data"), State(ids.PACK_ACT_KIND, "value"),
        prevent_initial_call=True,
    )
    def run_chosen(run_id: int | None, _changed: int | None, pack_id: str, kind: str | None) -> tuple[Any, Any, Any]:
        if run_id is None or not door.pack_known(pack_id):
            raise PreventUpdate
        chosen = next((run for run in door.pack_sheet(pack_id).runs if run.item.id == run_id), None)
        options = pack_runs.kind_options(chosen)
        if ctx.triggered_id != ids.PACK_ACT_RUN:
            return options, kind if kind in {item["value"] for item in options} else "label", no_update
        return options, kind if kind in {item["value"] for item in options} else "label", chosen.item.label if chosen else ""

    app.clientside_callback(
        ClientsideFunction(namespace="pack", function_name="act"), Output(ids.PACK_ACT_LABEL_BOX, "hidden"),
        Output(ids.PACK_ACT_RATINGS_BOX, "hidden"), Input(ids.PACK_ACT_KIND, "value"),
    )

    @app.callback(
        Output(ids.PACK_ACT_DONE, "children"), Output(ids.PACK_CHANGED, "data", allow_duplicate=True), Output(ids.PACK_ACT_WHY, "value"),
        Input(ids.PACK_ACT_GO, "n_clicks"),
        State(ids.PACK_ACT_RUN, "value"), State(ids.PACK_ACT_KIND, "value"), State(ids.PACK_ACT_LABEL, "value"), State(ids.PACK_ACT_WHY, "value"),
        State({"type": ids.PACK_WHO, "form": "run"}, "value"), State(ids.PACK_CHANGED, "data"),
        State({"type": ids.PACK_ACT_RATING, "key": ALL}, "id"), State({"type": ids.PACK_ACT_RATING, "key": ALL}, "value"),
        running=[(Output(ids.PACK_ACT_GO, "disabled"), True, False), (Output(ids.PACK_ACT_BUSY, "children"), text_pack.ACT_BUSY, "")],
        prevent_initial_call=True,
    )
    def put_right(
        clicks: int | None, run_id: int | None, kind: str, label: str | None, why: str | None, who: str | None, changed: int | None,
        names: list[dict[str, str]], ratings: list[Any],
    ) -> tuple[Any, Any, Any]:
        if not clicks:
            raise PreventUpdate
        told = ""
        try:
            if run_id is None:
                raise InputError(text_pack.ACT_NONE_WHAT, text.THE_PAGE, text_pack.ACT_NONE_WHY, text_pack.ACT_NONE_MEND)
            if kind == "label":
                door.correct_label(run_id, label or "", who or "", why or "")
            elif kind == "ratings":
                told = pack_runs.corrected_words(door.correct_ratings(run_id, {name["key"]: value for name, value in zip(names, ratings)}, who or "", why or ""))
            else:
                (door.withdraw if kind == "withdraw" else door.reinstate)(run_id, who or "", why or "")
            serials = door.serials(run_id)
        except InputError as error:
            return components.error_panel(error, text_pack.NOTHING_WRITTEN), no_update, no_update
        done = text_pack.ACT_DONE[kind].format(id=run_id) + told
        if serials:
            done += text_pack.ACT_RECORDS.format(serials=", ".join(serials))
        return html.P(done, className="done"), (changed or 0) + 1, ""

    @app.callback(
        Output(ids.PACK_REST_RESULT, "children"), Input(ids.PACK_REST_GO, "n_clicks"),
        State(ids.PACK_REST_FIRST, "value"), State(ids.PACK_REST_SECOND, "value"), State(ids.PACK_REST_UNTOUCHED, "value"),
        running=[(Output(ids.PACK_REST_GO, "disabled"), True, False), (Output(ids.PACK_REST_BUSY, "children"), text_pack.STANDING_BUSY, "")],
        prevent_initial_call=True,
    )
    def join_rests(clicks: int | None, first: int | None, second: int | None, untouched: list[str] | None) -> Any:
        if not clicks:
            raise PreventUpdate
        try:
            if first is None or second is None:
                raise InputError(text_pack.STANDING_PICK_WHAT, text.THE_PAGE, text_pack.STANDING_PICK_WHY, text_pack.STANDING_PICK_MEND)
            return pack_runs.standing_part(door.two_rests(first, second, bool(untouched)))
        except InputError as error:
            return components.error_panel(error)
