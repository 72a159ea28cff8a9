"""What a verdict says: vetoes and what holds a pass back, the result, what differs from the one kept, what would settle it, the criteria."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

from dash import dcc, html
from dash.development.base_component import Component

from cycler.record import text as record_text
from cycler.record.values import finished
from dashboard import advice, components, ids, text, text_decision
from dashboard.address import add_address, pack_address, plan_address
from dashboard.data import Decision, KeptVerdict
from dashboard.pages.decision_scale import (
    anchor_of,
    criterion_item,
    label_of,
    limit_text,
)

RANK = {"fail": 0, "not_proven": 1, "pass": 2}
CAPACITY_NOT_VALID = "capacity_not_valid"
OPEN_DANGER = "open_danger"
"""Code of a danger that is written on the pack's card."""


def result_key(verdict: dict[str, Any] | None) -> str:
    """pass, fail, not_proven, or none for anything else."""
    result = (verdict or {}).get("result")
    return result if result in RANK else "none"


def set_name(verdict: dict[str, Any]) -> str:
    """Title of the set that judged."""
    return str(verdict.get("criteria_title") or verdict.get("criteria_name"))


def before_words(before: int | None) -> str:
    """ ", held against run 1", or nothing."""
    return text_decision.BY_BEFORE.format(id=before) if before else ""


def before_of_kept(kept: KeptVerdict) -> int:
    """The run that a kept verdict was held against, 0 for none."""
    return (kept.verdict.get("judged_with") or {}).get("before_run") or 0


def decided_words(by: str | None) -> str:
    """ ", by Ada", or nothing."""
    return text_decision.KEPT_BY.format(name=by) if by else ""


# ---- on top ----------------------------------------------------------------------------------------------------


def veto_panel(verdict: dict[str, Any], run_id: int | None = None, pack_id: str = "") -> Component | None:
    """Vetoes stand above everything else."""
    vetoes = verdict.get("vetoes") or []
    if not vetoes:
        return None
    told = [(item.get("code") or "", item.get("message"), item.get("who")) for item in verdict.get("veto_findings") or ()]
    told += [(code, None, None) for code in vetoes if code not in {item[0] for item in told}]
    items = [
        html.Li([html.Strong(record_text.code_label(code).capitalize()), ": ",
                 (advice.words(str(message)) if message else record_text.code_sentence(code)) + (text_decision.VETO_WHO.format(who=who) if who else "")])
        for code, message, who in told
    ]
    see: list[Any] = []
    if run_id and any(code != OPEN_DANGER for code in vetoes):
        see += [" ", html.A(text_decision.VETO_SEE, href=f"/run/{run_id}#{components.FINDINGS_ANCHOR}")]
    if pack_id and OPEN_DANGER in vetoes:
        see += [" ", dcc.Link(text_decision.VETO_CARD, href=f"/pack/{quote(pack_id, safe='')}")]
    return html.Div(
        [
            html.H2([html.Span(className="flag flag-danger", **{"aria-hidden": "true"}), text_decision.VETO]),
            html.Ul(items), html.P([text_decision.VETO_DO, *see], className="veto-do"),
        ],
        className="veto-panel", role="alert",
    )


def held_panel(verdict: dict[str, Any], run_id: int | None = None) -> Component | None:
    """What holds a pass back whatever the criteria say."""
    held = verdict.get("held_by") or []
    if not held or verdict.get("vetoes"):
        return None
    items = [
        html.Li([text_decision.HELD_CAPACITY] if code == CAPACITY_NOT_VALID
                else [html.Strong(record_text.code_label(code).capitalize()), ": ", record_text.code_sentence(code)])
        for code in held
    ]
    see = html.P(html.A(text_decision.VETO_SEE, href=f"/run/{run_id}#{components.FINDINGS_ANCHOR}")) if run_id and held != [CAPACITY_NOT_VALID] else None
    if len(held) == 1:
        return html.Div(html.P([html.Strong(f"{text_decision.HELD}: "), *items[0].children, *([" ", see.children] if see else [])]), className="held-panel")
    return html.Div([html.H2(text_decision.HELD), html.Ul(items), see], className="held-panel")


def result_panel(verdict: dict[str, Any], shown: Decision | None = None, run_id: int | None = None) -> Component:
    """The result large, what it was judged by, whether it is kept, and the caution that goes with it."""
    result = result_key(verdict)
    by = text_decision.BY.format(name=set_name(verdict), before=before_words(shown.before if shown else 0))
    said = text_decision.VETO_SUMMARY if verdict.get("vetoes") else verdict.get("summary") or text.RESULT_MEANS[result]
    caution = None if verdict.get("vetoes") else components.caution(text_decision.ACT[result])
    return html.Div(
        [
            components.result_mark(result, large=True),
            html.Div(
                [
                    html.P(said, className="summary"),
                    html.P(by, className="quiet judged-by"),
                    *(kept_words(shown, run_id) if shown is not None else []),
                    caution,
                ]
            ),
        ],
        className=f"verdict-head verdict-{result}",
    )


def kept_words(shown: Decision, run_id: int | None) -> list[Component]:
    """Whether this verdict is in the register, since when and by whom, and the remark."""
    kept = shown.newest
    if not shown.is_kept or kept is None:
        words = text_decision.PREVIEW if kept is not None else text_decision.PREVIEW_NEVER
        return [html.P([html.Span(className="flag flag-info", **{"aria-hidden": "true"}), html.Strong(words)], className="kept kept-not")]
    words = text_decision.KEPT.format(number=kept.number, run=run_id, when=text.date_text(kept.at), by=decided_words(kept.by))
    remark = html.P(text_decision.KEPT_REMARK.format(remark=kept.remark), className="quiet kept-remark") if kept.remark else None
    return [html.P(html.Strong(words), className="kept"), *([remark] if remark else [])]


def _sentence(words: str) -> str:
    """Words as a sentence of their own."""
    words = words.strip()
    return words[:1].upper() + words[1:] + ("" if words.endswith(".") or not words else ".")


# ---- against the kept verdict ------------------------------------------------------------------------------------


def differing(kept: dict[str, Any], now: dict[str, Any]) -> tuple[list[str], list[str]]:
    """Criteria that come out otherwise than in the kept verdict, and those that differ but do not; each in one sentence."""
    there = {row["quantity"]: row for row in kept.get("criteria") or ()}
    here = {row["quantity"]: row for row in now.get("criteria") or ()}
    otherwise: list[str] = []
    besides: list[str] = []
    for quantity, row in here.items():
        was = there.get(quantity)
        if was is None:
            said = text_decision.DIFFERS_NEW.format(label=label_of(row), now=_outcome(row))
            (besides if row["result"] == "pass" else otherwise).append(said)
        elif any(was.get(key) != row.get(key) for key in ("result", "limit", "direction", "required", "value", "guard_band")):
            said = text_decision.DIFFERS_ROW.format(label=label_of(row), was=_outcome(was), now=_outcome(row))
            decides = row["result"] != "pass" and was.get("required", True) != row.get("required", True)
            (otherwise if was.get("result") != row["result"] or decides else besides).append(said)
    gone = [text_decision.DIFFERS_GONE.format(label=label_of(row), was=_outcome(row)) for quantity, row in there.items() if quantity not in here]
    return otherwise, besides + gone


def _outcome(row: dict[str, Any]) -> str:
    """ "not proven (limit at least 80 %), advisory"."""
    word = text.RESULT_WORD.get(row["result"], row["result"]).lower()
    said = text_decision.DIFFERS_SIDE.format(result=word, limit=limit_text(row))
    return said + ("" if row.get("required", True) else text_decision.ADVISORY_SHORT)


def differs_panel(shown: Decision) -> Component | None:
    """What is other than in the kept verdict; ``None`` where this is the kept one, or none is kept."""
    kept = shown.newest
    if shown.is_kept or kept is None:
        return None
    otherwise, besides = differing(kept.verdict, shown.verdict)
    words = text_decision.DIFFERS.format(
        number=kept.number, result=text.RESULT_WORD[result_key(kept.verdict)].lower(), name=set_name(kept.verdict),
        before=before_words(before_of_kept(kept)),
    )
    if otherwise:
        words += f" {text_decision.DIFFERS_OTHERWISE}"
    elif not besides:
        words += f" {text_decision.DIFFERS_SAME}"
        if kept.verdict.get("criteria_sha256") == shown.verdict.get("criteria_sha256"):
            words += f" {text_decision.DIFFERS_GROUNDS}"
    return html.Div(
        [
            html.P(words),
            html.Ul([html.Li(said) for said in otherwise]) if otherwise else None,
            components.fold(text_decision.DIFFERS_MORE.format(n=len(besides)), html.Ul([html.Li(said) for said in besides])) if besides else None,
        ],
        className="differs",
    )


# ---- what would settle it ----------------------------------------------------------------------------------------


def settle_part(verdict: dict[str, Any], run_id: int | None = None, pack_id: str = "", criteria: str = "") -> Component | None:
    """What would settle a verdict, what the result depends on first; each sentence with a link to what it speaks of."""
    told = [str(item) for item in verdict.get("to_settle") or ()]
    needed = [item for item in told if not item.startswith(text_decision.ADVISORY_WORD)]
    advises = [item.removeprefix(text_decision.ADVISORY_WORD) for item in told if item.startswith(text_decision.ADVISORY_WORD)]
    if not told:
        return None
    rows = verdict.get("criteria") or []
    parts: list[Any] = []
    if needed:
        parts += [html.Ul([_settle_item(item, rows, run_id, bool(verdict.get("vetoes")), pack_id) for item in needed], className="settle")]
        if result_key(verdict) == "not_proven":
            add = dcc.Link(text_decision.SETTLE_ADD, href=add_address(pack_id) if pack_id else "/add")
            plan = [" ", dcc.Link(text_decision.SETTLE_PLAN, href=plan_address(run_id, criteria))] if run_id else []
            parts += [html.P([text_decision.SETTLE_LIKELY, " ", add, *plan], className="hint"), components.caution(text.CAUTION_TEST)]
    if advises:
        more = html.Ul([_settle_item(item, rows, run_id) for item in advises], className="settle")
        parts.append(components.fold(text_decision.SETTLE_ADVISES.format(n=len(advises)), more))
    if not needed:
        return html.Div(parts, className="settle-rest")
    title = text_decision.SETTLE
    if verdict.get("vetoes"):
        title = text_decision.SETTLE_VETO
    elif result_key(verdict) == "fail":
        title = text_decision.SETTLE_FAIL
    return components.section(title, parts, "part-settle")


def _settle_item(sentence: str, rows: list[dict[str, Any]], run_id: int | None, vetoed: bool = False, pack_id: str = "") -> Component:
    """A sentence, and where to see what it speaks of."""
    about = next((row for row in rows if sentence.startswith(label_of(row))), None)
    words = advice.words(sentence)
    if about is not None:
        link = html.A(text_decision.SETTLE_ROW.format(label=label_of(about).lower()), href=f"#{anchor_of(about)}")
    elif pack_id and sentence.endswith("in the pack file.") and sentence.startswith("Enter "):
        link = html.A(text_decision.SETTLE_RATINGS, href=f"{pack_address(pack_id)}#{ids.PACK_ACTS}")
    elif run_id and "finding" in sentence and not vetoed:
        link = html.A(text_decision.SETTLE_FINDING, href=f"/run/{run_id}#{components.FINDINGS_ANCHOR}")
    else:
        return html.Li(finished(words))
    return html.Li([finished(words), " ", link])


# ---- all of it -----------------------------------------------------------------------------------------------------


def criteria_parts(verdict: dict[str, Any]) -> list[Component]:
    """The criteria that decide, worst first, and those that only advise, folded away where they all pass."""
    rows = sorted(verdict.get("criteria") or [], key=lambda row: RANK.get(row["result"], 3))
    required = [row for row in rows if row.get("required", True)]
    others = [row for row in rows if not row.get("required", True)]
    if not rows:
        return [components.section(text_decision.REQUIRED, html.P(text_decision.NONE, className="quiet"))]
    listed = html.Ul([criterion_item(row) for row in required], className="judged-list") if required else html.P(text_decision.NONE_REQUIRED)
    key = text_decision.KEY.format(rule=_sentence(verdict.get("decision_rule") or ""))
    parts = [components.section(text_decision.REQUIRED, [listed, html.P(key, className="hint judged-key")], "part-criteria")]
    if others:
        counts = {key: sum(row["result"] == key for row in others) for key in RANK}
        said = ", ".join(text_decision.ADVISORY_COUNT[key].format(n=n) for key, n in counts.items() if n)
        listed = html.Ul([criterion_item(row) for row in others], className="judged-list")
        parts.append(html.Section(
            components.fold(text_decision.ADVISORY.format(counts=said), listed, is_open=counts["pass"] < len(others)), className="part part-advisory",
        ))
    return parts


def verdict_body(verdict: dict[str, Any], shown: Decision | None = None, run_id: int | None = None, pack_id: str = "") -> Component:
    """The whole verdict in words and scales; ``shown`` tells whether and since when it is kept."""
    settle = settle_part(verdict, run_id, pack_id, shown.criteria if shown is not None else "")
    first = result_key(verdict) == "not_proven" or bool(verdict.get("vetoes"))
    return html.Div(
        [
            veto_panel(verdict, run_id, pack_id), held_panel(verdict, run_id), result_panel(verdict, shown, run_id),
            differs_panel(shown) if shown is not None else None,
            settle if first else None, *criteria_parts(verdict), None if first else settle,
        ],
        className="verdict-body",
    )
