"""Adding, the act: one job that reads, analyses and stores; its bar, its end, and what was added."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from cycler.errors import InputError
from dashboard import components, ids, text, text_add
from dashboard.data import Door, Pack
from dashboard.defects import in_words
from dashboard.jobs import CANCELLED, DONE, FAILED, WAITING, Jobs, JobState, Report
from dashboard.pages.add_each import LABEL_LENGTH_MAX, rows_wait
from dashboard.pages.add_pack import KEPT, form_states, keyed, pack_chosen, pack_picked
from dashboard.pages.columns_form import READS
from dashboard.routes import four_parts
from dashboard.uploads import Uploads
from dashboard.waiting import gone, list_change, of_kind, still_there, toml_files

TICK_MS = 400
WEIGHTS_S = {
    "reading": 3.2, "channels": 5.0, "steps": 0.6, "capacity": 0.4, "resistance": 0.3, "groups": 2.3, "findings": 0.5, "incremental": 5.3,
    "verdict": 0.1, "storing": 3.5,
}
"""How long each stage takes on a log of a million rows and ten groups; they make the bar. [s]"""


# ---- layout ----------------------------------------------------------------------------------------------------


def act_part(door: Door) -> list[Component]:
    """Label, criteria, and the button with what speaks against pressing it."""
    sets = door.criteria_sets()
    return [
        html.Div(
            components.field(
                text.LABEL,
                dcc.Input(id=ids.ADD_LABEL, type="text", maxLength=LABEL_LENGTH_MAX, placeholder=text.LABEL_HINT, autoComplete="off", **KEPT),
            ),
            id=ids.ADD_LABEL_BOX,
        ),
        components.field(
            text.CRITERIA,
            dcc.RadioItems(
                id=ids.ADD_CRITERIA, className="choice choice-tall", value=sets[0].name if sets else None, **KEPT,
                options=[{"value": item.name, "label": item.title} for item in sets],
            ),
        ),
        dcc.Checklist(id=ids.ADD_AGAIN, value=[], className="choice choice-tall", **KEPT,
                      options=[{"value": "again", "label": text.ADD_AGAIN}, {"value": "ratings", "label": text.ADD_RATINGS}]),
        html.Div(id=ids.ADD_CAUTION, role="status"),
        html.Div(
            [html.Button(text.ADD, id=ids.ADD_BUTTON, className="button button-main", type="button", disabled=True,
                         **{"aria-describedby": ids.ADD_WAIT}),
             html.Span(id=ids.ADD_WAIT, role="status", className="wait-note")],
            className="act-row",
        ),
    ]


def work_part() -> Component:
    """The bar of a job, what came of it, and what was added; it stays when no file waits any more."""
    return html.Div(
        [
            html.Div(
                [
                    html.Div(id=ids.ADD_PROGRESS, role="status", className="work-bar"),
                    html.Button(text_add.CANCEL, id=ids.ADD_CANCEL, type="button", className="button"),
                ],
                id=ids.ADD_WORK, className="work-row", hidden=True,
            ),
            html.Div(id=ids.ADD_ERROR),
            html.Div(id=ids.ADD_DONE, role="status"),
            dcc.Interval(id=ids.ADD_TICK, interval=TICK_MS, disabled=True),
            dcc.Store(id=ids.ADD_FORGOTTEN),
        ]
    )


# ---- the work --------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Added:
    """What came of a job: runs by the key of their row, and why others failed. It grows while the job goes on."""

    runs: list[dict[str, Any]] = field(default_factory=list)
    errors: dict[str, dict[str, str]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Test:
    """One test that is to be added: the waiting files of its logs, and as what."""

    keys: tuple[str, ...]
    tokens: tuple[str, ...]
    name: str
    pack: Callable[[], Pack]
    label: str
    __test__ = False


@dataclass(frozen=True, slots=True)
class Said:
    """What holds for all tests of a job."""

    criteria: str
    columns: Any
    leave_out: bool
    again: bool
    new_ratings: bool


def share_of(stage: str, share: float | None) -> float:
    """How far the whole work is at this share of a stage."""
    names = list(WEIGHTS_S)
    before = sum(WEIGHTS_S[name] for name in names[: names.index(stage)])
    return (before + WEIGHTS_S[stage] * (share or 0.0)) / sum(WEIGHTS_S.values())


def add_tests(tests: list[Test], said: Said, door: Door, uploads: Uploads, added: Added, alone: bool) -> Callable[[Report], Added]:
    """The work of a job: each test for itself; ``alone`` lets the first error end it."""

    def one(test: Test, number: int, report: Report) -> None:
        def tell(stage: str, share: float | None) -> None:
            words = text_add.STAGE[stage]
            whole = text_add.JOB_OF.format(n=number + 1, all=len(tests), name=test.name, stage=words) if len(tests) > 1 else words
            report((number + share_of(stage, share)) / len(tests), whole)

        tell("reading", None)
        sources = uploads.content(list(test.tokens))
        pack = test.pack()
        used = door.used(sources, said.columns, said.leave_out)
        run_id = door.add(sources, pack, test.label, said.criteria, used, said.again, said.new_ratings, tell)
        for token in test.tokens:
            uploads.remove(token)
        findings = door.run(run_id).analysis.get("findings") or ()
        added.runs.append({
            "run": run_id, "pack": pack.id, "name": test.name, "keys": list(test.keys), "result": door.judged(run_id)[0].get("result"),
            "danger": any(item.get("severity") == "danger" for item in findings),
        })

    def work(report: Report) -> Added:
        for number, test in enumerate(tests):
            try:
                one(test, number, report)
            except InputError as error:
                if alone:
                    raise
                added.errors[test.keys[0]] = four_parts(error)
        return added

    return work


# ---- what is shown ---------------------------------------------------------------------------------------------


def wait_words(
    state: dict[str, Any] | None, kind: str, existing: str | None, number: str | None, changed: str = ""
) -> str:
    """Why the run cannot be added yet; empty if it can.

    ``changed`` is not empty while the form of the columns says what is not used, and tells whether it reads the logs.
    """
    if state is None:
        return text.ADD_WAIT["reading"]
    if state.get("why") and changed == READS:
        return str(state.get("why_else") or text.ADD_WAIT["columns_read"])
    if state.get("why"):
        return str(state["why"])
    if changed:
        return text.ADD_WAIT["columns"]
    if kind == "existing":
        return "" if existing else text.ADD_WAIT["no_pack"]
    if kind == "new":
        return "" if str(number or "").strip() else text.ADD_WAIT["no_number"]
    return "" if state.get("pack_file") else text.ADD_WAIT["no_pack_file"]


def bar(state: JobState) -> list[Component]:
    """How far a job is."""
    words = text_add.CANCELLING if state.asked_to_end else text_add.JOB_WAITING if state.status == WAITING else state.words
    percent = int(100 * (state.share or 0.0))
    progress = html.Progress(value=str(percent), max="100", **{"aria-label": state.title})
    return [html.Strong(state.title), progress, html.Span(text_add.PERCENT.format(percent=percent), className="work-percent"),
            html.Span(words, className="work-words")]


def added_list(added: Added) -> Component | None:
    """What was added, with links."""
    if not added.runs:
        return None
    rows = [
        html.Li([
            dcc.Link(text_add.ADDED_RUN.format(name=item["name"], run=item["run"], pack=item["pack"]), href=f"/run/{item['run']}"), " ",
            components.result_mark(item["result"]), *([" ", components.severity_mark("danger")] if item["danger"] else []),
        ])
        for item in added.runs
    ]
    return html.Div([html.P(text_add.ADDED, className="done"), html.Ul(rows)], className="part added-list")


def outcome(state: JobState, added: Added) -> Any:
    """What came of a job that is over, besides what was added."""
    if state.status == FAILED and state.error is not None:
        return html.Div([components.error_panel(state.error, text.NOTHING_STORED), html.P(text_add.TRY_AGAIN, className="hint")])
    if state.status == CANCELLED:
        return html.P(text_add.JOB_CANCELLED_EACH if added.runs else text_add.JOB_CANCELLED, className="wait-note")
    if state.status == DONE and state.asked_to_end:
        return html.P(text_add.JOB_TOO_LATE, className="wait-note")
    if added.errors:
        return html.P(text_add.ADDED_NOTHING if not added.runs else "", className="wait-note")
    return None


# ---- callbacks -------------------------------------------------------------------------------------------------


def register(app: Dash, door: Door, uploads: Uploads, jobs: Jobs) -> None:
    """Wire the act."""
    results: dict[str, Added] = {}
    rows = {"type": ids.ADD_EACH_PACK, "key": ALL}
    labels = {"type": ids.ADD_EACH_LABEL, "key": ALL}

    @app.callback(
        Output(ids.ADD_BUTTON, "disabled"), Output(ids.ADD_WAIT, "children"), Output(ids.ADD_BUTTON, "children"),
        Input(ids.ADD_STATE, "data"), Input(ids.ADD_PACK_KIND, "value"), Input(ids.ADD_PACK_EXISTING, "value"),
        Input({"type": ids.ADD_PACK_FIELD, "key": "id"}, "value"), Input(ids.COLUMNS_CHANGED, "data"), Input(ids.ADD_ASK, "data"),
        Input(ids.ADD_WORK, "hidden"), Input(rows, "value"), Input(ids.ADD_EACH_PACKS, "value"), Input(ids.ADD_LEAVE_OUT, "value"), Input(ids.ADD_HOW_KEPT, "data"),
        State(rows, "id"), State(ids.ADD_FILES, "data"),
    )
    def allow(
        state: dict[str, Any] | None, kind: str, existing: str | None, number: str | None, changed: str | None, ask: dict[str, Any] | None,
        idle: bool, packs: list[str | None], each: str | None, leave_out: list[str] | None, how_kept: dict[str, Any] | None,
        row_ids: list[dict[str, Any]], files: Any,
    ) -> tuple[bool, str, str]:
        many = len((state or {}).get("good") or ()) if (state or {}).get("how") == "each" else 0
        name = text_add.ADD_EACH.format(n=many) if many > 1 else text.ADD
        if not idle:
            return True, "", name
        # Read as it was asked for last, whatever answer comes late.
        if state is None or not _read_so(state, ask, leave_out) or state.get("kept") != how_kept:
            return True, text.ADD_WAIT["reading"], name
        if state.get("how") == "each" and each == "each" and not state.get("why"):
            why = text.ADD_WAIT["columns"] if changed else rows_wait(state, keyed(row_ids, packs), files)
        else:
            why = wait_words(state, kind, existing, number, changed or "")
        return bool(why), why, name

    # Before the answer says so too: what is being read anew cannot be added as it was read before.
    app.clientside_callback(
        ClientsideFunction(namespace="adding", function_name="readingAnew"), Output(ids.ADD_BUTTON, "disabled", allow_duplicate=True),
        Input(ids.ADD_FILES, "data"), Input(ids.ADD_LEAVE_OUT, "value"), prevent_initial_call=True,
    )

    def not_begun(error: Exception) -> tuple[Any, ...]:
        """What the page shows of a press that led to no job; it opens the button again."""
        return {"over": True}, components.error_panel(in_words(error), text.NOTHING_STORED), None, no_update, True, None, True, True, no_update

    @app.callback(
        Output(ids.ADD_JOB, "data"), Output(ids.ADD_ERROR, "children"), Output(ids.ADD_DONE, "children"), Output(ids.ADD_FILES, "data", allow_duplicate=True),
        Output(ids.ADD_WORK, "hidden"), Output(ids.ADD_PROGRESS, "children"), Output(ids.ADD_TICK, "disabled"), Output(ids.ADD_CANCEL, "disabled"),
        Output(ids.ADD_HOW_KEPT, "data", allow_duplicate=True),
        Input(ids.ADD_BUTTON, "n_clicks"), State(ids.ADD_FILES, "data"), State(ids.ADD_STATE, "data"), *form_states(),
        State(ids.ADD_LABEL, "value"), State(ids.ADD_CRITERIA, "value"), State(ids.ADD_AGAIN, "value"), State(ids.ADD_LEAVE_OUT, "value"),
        State(ids.ADD_EACH_PACKS, "value"), State(rows, "id"), State(rows, "value"), State(labels, "id"), State(labels, "value"), State(ids.ADD_ASK, "data"),
        running=[(Output(ids.ADD_BUTTON, "disabled"), True, True)], prevent_initial_call=True, on_error=not_begun,
    )
    def add_run(
        clicks: int | None, files: list[dict[str, Any]] | None, state: dict[str, Any] | None, kind: str, existing: str | None,
        field_ids: list[dict[str, Any]], field_values: list[Any], limit_ids: list[dict[str, Any]], limit_values: list[Any],
        label: str | None, criteria: str, again: list[str] | None, leave_out: list[str] | None, each: str | None,
        row_ids: list[dict[str, Any]], packs: list[str | None], label_ids: list[dict[str, Any]], row_labels: list[str | None],
        ask: dict[str, Any] | None,
    ) -> tuple[Any, ...]:
        if not clicks:
            raise PreventUpdate
        try:
            if gone(files, uploads):
                nothing = list_change(files, list(files or []))  # it is listed anew
                return {"over": True}, html.P(text_add.JOB_GONE, className="wait-note"), None, nothing, True, None, True, True, no_update
            held = still_there(files, uploads)
            logs = [item for item in held if item["kind"] == "log"]
            if state and logs and not (_read_so(state, ask, leave_out) and state.get("logs") == [item["token"] for item in logs]):
                raise PreventUpdate  # it is being read anew: the button opens when that is done
            if not logs:
                raise InputError(text.ADD_NO_LOG_WHAT, text.THE_FORM, text.ADD_NO_LOG_WHY, text.ADD_NO_LOG_MEND)
            door.check_writable()
            toml_errors: dict[str, InputError] = {}
            toml = toml_files(held, uploads, toml_errors)
            several = (state or {}).get("how") == "each"
            for error in toml_errors.values():
                raise error
            said = Said(criteria, toml["columns"], bool(leave_out), "again" in (again or []), "ratings" in (again or []))

            def from_form() -> Pack:
                return pack_chosen(kind, existing, keyed(field_ids, field_values), keyed(limit_ids, limit_values), toml["pack"], door)

            if several:
                own, named = keyed(row_ids, packs), keyed(label_ids, row_labels)
                good = set((state or {}).get("good") or ())
                tests = []
                for item in logs:
                    if item["key"] not in good:
                        continue
                    picked = own.get(item["key"])
                    pack = from_form if each == "all" else partial(pack_picked, str(picked), door)
                    tests.append(Test((item["key"],), (item["token"],), item["name"], pack, _clean(named.get(item["key"]))))
                if each == "all":
                    from_form()
            else:
                chosen = from_form()
                keys = tuple(item["key"] for item in logs)
                tests = [Test(keys, tuple(of_kind(held, "log")), logs[0]["name"], lambda: chosen, _clean(label))]
        except InputError as error:
            return not_begun(error)
        added = Added()
        title = text_add.JOB_TITLE.format(name=tests[0].name if len(tests) == 1 else f"{len(tests)} tests")
        token = jobs.start(title, add_tests(tests, said, door, uploads, added, not several))
        results[token] = added
        for old in [known for known in results if jobs.state(known) is None]:
            results.pop(old)
        begun = jobs.state(token)
        # Those of a list that fail stay in a list, also where one alone is left.
        kept = {"for": [item["token"] for item in logs], "how": "each"} if several else no_update
        beside = [] if several else [item["token"] for item in held if item["kind"] != "log"]
        return {"token": token, "each": several, "beside": beside, "over": False}, None, None, no_update, False, bar(begun), False, False, kept

    @app.callback(
        Output(ids.ADD_WORK, "hidden", allow_duplicate=True), Output(ids.ADD_PROGRESS, "children", allow_duplicate=True),
        Output(ids.ADD_TICK, "disabled", allow_duplicate=True), Output(ids.ADD_CANCEL, "disabled", allow_duplicate=True), Output(ids.ADD_ERROR, "children", allow_duplicate=True),
        Output(ids.ADD_DONE, "children", allow_duplicate=True), Output(ids.ADD_JOB, "data", allow_duplicate=True),
        Output(ids.ADD_FILES, "data", allow_duplicate=True), Output(ids.ADD_FORGOTTEN, "data"),
        Output(ids.URL, "pathname", allow_duplicate=True), Output(ids.URL, "search", allow_duplicate=True),
        Input(ids.ADD_TICK, "n_intervals"), State(ids.ADD_JOB, "data"), State(ids.ADD_FILES, "data"),
        prevent_initial_call="initial_duplicate",
    )
    def watch(tick: int | None, job: dict[str, Any] | None, files: list[dict[str, Any]] | None) -> tuple[Any, ...]:
        token = (job or {}).get("token")
        if not token:
            return True, None, True, True, *(no_update,) * 7
        state, added = jobs.state(token), results.get(token) or Added()
        if state is None:
            lost = html.P(text_add.JOB_LOST, className="wait-note") if not job["over"] else no_update
            return True, None, True, True, lost, no_update, {"over": True}, *(no_update,) * 4
        if not state.is_over:
            return False, bar(state), False, state.asked_to_end, *(no_update,) * 7
        shown = outcome(state, added), added_list(added)
        if job["over"]:  # the page was loaded afresh: what came of it still stands there
            return True, None, True, True, *shown, *(no_update,) * 5
        keys = {key for item in added.runs for key in item["keys"]}
        all_done = not job["each"] and bool(added.runs)
        left = [item for item in files or [] if item["key"] not in keys]  # one that was dropped meanwhile waits on
        last = not of_kind(left, "log") and bool(added.runs)
        # A pack or columns file goes with its test, or with the last log: the next one may be of another pack.
        used = [item for item in left if last or (all_done and item["token"] in (job.get("beside") or ()))]
        for item in used:
            uploads.remove(item["token"])
        left = [item for item in left if item not in used]
        over = {"token": token, "each": job["each"], "over": True, "errors": added.errors}
        # Somebody who watched is led to the run; who comes back later finds it in the list.
        lead = all_done and bool(tick) and not left
        if lead:
            return True, None, True, True, None, None, {"over": True}, list_change(files, left), token, f"/run/{added.runs[0]['run']}", ""
        return (
            True, None, True, True, *shown, over, list_change(files, left) if added.runs or added.errors else no_update, token if added.runs and not left else no_update,
            no_update, no_update,
        )

    @app.callback(
        Output(ids.ADD_CANCEL, "disabled", allow_duplicate=True), Input(ids.ADD_CANCEL, "n_clicks"), State(ids.ADD_JOB, "data"),
        prevent_initial_call=True,
    )
    def cancel(clicks: int | None, job: dict[str, Any] | None) -> bool:
        token = (job or {}).get("token")
        if not clicks or not token:
            raise PreventUpdate
        jobs.cancel(token)
        return True


def _read_so(state: dict[str, Any], ask: dict[str, Any] | None, leave_out: list[str] | None) -> bool:
    """True if what the page shows was read as it is asked for now."""
    return (state.get("asked"), state.get("left_out")) == ((ask or {}).get("n"), bool(leave_out))


def _clean(label: str | None) -> str:
    return (label or "").strip()[:LABEL_LENGTH_MAX]
