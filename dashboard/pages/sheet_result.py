"""What the readings of a bench sheet say: cautions, groups, remarks, thermistors, causes, what to measure next."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from cycler.errors import InputError
from cycler.quantities import figure_text, significant_text
from cycler.repair.cautions import CAUTIONS, DEFERENCE, SHORT_CIRCUIT_PROBES, STORED_ENERGY, caution_list
from cycler.repair.chances import WITHIN_WORDS, chance_text, share_text, times_text
from dashboard import advice, components
from dashboard import ids_job_sheet as ids
from dashboard import text_job_sheet as text
from dashboard.figures import style
from dashboard.figures.groups_bench import group_voltages

GRAVE_CAUTIONS = ("deep_discharge", "swollen_or_hot", "over_60_v", "quarantine")
CAUSES_SHOWN = 4
CAUSE_SHARE_LEAST = 0.02
"""Causes below this chance are folded away, however few stand above."""
SEVERITIES = ("danger", "defect", "caution", "info")


def empty() -> Component:
    """Before anything was entered."""
    return components.empty_state(text.RESULT_EMPTY, text.RESULT_EMPTY_MORE)


PARTS = ("causes", "next", "groups", "remarks", "probes", "ruled_out", "missing")
"""Parts of what the readings say, in their order; each stands in a place of its own, so that one that did not change is left alone."""


def places() -> list[Component]:
    """The places of the parts, empty but for the first, which says that nothing is there yet."""
    return [html.Div(empty() if name == PARTS[0] else None, id={"type": ids.PART, "part": name}, className="said-place") for name in PARTS]


def parts(evaluation: dict[str, Any] | None) -> dict[str, Component | None]:
    """All that the sheet supports, part by part; without an evaluation that nothing was measured yet."""
    if evaluation is None:
        return {name: empty() if name == PARTS[0] else None for name in PARTS}
    made = (_causes, _next, _groups, _remarks, _probes, _ruled_out, _missing)
    return {name: make(evaluation) for name, make in zip(PARTS, made, strict=True)}


def failed(error: InputError) -> dict[str, Component | None]:
    """Where the readings could not be worked out: why, in place of the first part."""
    return {name: components.error_panel(error, text.RESULT_FAILED) if name == PARTS[0] else None for name in PARTS}


def top_line(evaluation: dict[str, Any] | None) -> Component:
    """The likeliest cause in one line, to stand above the form."""
    causes = (evaluation or {}).get("causes") or []
    words = text.TOP_NONE if not causes else text.TOP_CAUSE.format(title=_title(causes[0]), share=share_text(causes[0]["probability"]))
    dangers = [item for item in (evaluation or {}).get("remarks") or () if item["severity"] == "danger"]
    flag = html.Span(className="flag flag-danger", **{"aria-hidden": "true"}) if dangers else None
    return html.Span([flag, html.Span(words)], className="sheet-top-words")


def observed_cautions(observations: Sequence[Any], heeded: Sequence[dict[str, str]]) -> Component | None:
    """What to mind with further measurements and does not stand on top of the page already."""
    codes = {item.caution for item in observations} - {item["code"] for item in heeded}
    found = caution_list(codes)
    return html.Div([components.caution(item["words"]) for item in found]) if found else None


def usual_cautions() -> list[dict[str, str]]:
    """What to mind with any pack, before anything is known of this one."""
    return caution_list((STORED_ENERGY, SHORT_CIRCUIT_PROBES))


def cautions(found: Sequence[dict[str, str]]) -> Component | None:
    """What to mind, each once; those of grave danger first and in full."""
    if not found:
        return None
    grave = [components.caution(item["words"], danger=True) for item in found if item["code"] in GRAVE_CAUTIONS]
    others = [html.Li(item["words"]) for item in found if item["code"] not in GRAVE_CAUTIONS]
    rest = components.fold(text.CAUTIONS, html.Div([html.Ul(others), html.P(DEFERENCE, className="quiet")]), is_open=True) if others else html.P(DEFERENCE, className="quiet")
    return html.Div([*grave, rest])


# ---- causes ----------------------------------------------------------------------------------------------------


def _title(cause: dict[str, Any]) -> str:
    group = f" ({text.GROUP.format(n=cause['group']).lower()})" if cause.get("group") else ""
    title = advice.capital(str(cause["title"]))
    return title if group and text.GROUP.format(n=cause["group"]).lower() in title.lower() else f"{title}{group}"


def chance_words(share: float) -> str:
    """A chance as a word."""
    return next(words for least, words in text.CHANCE_WORDS if share >= least)


def _causes(evaluation: dict[str, Any]) -> Component:
    ranked = evaluation.get("causes") or []
    if not ranked:
        return html.Section([html.H3(text.CAUSES), html.P(text.CAUSES_NONE, className="quiet")], className="said-part")
    shown = [cause for cause in ranked[:CAUSES_SHOWN] if cause["probability"] >= CAUSE_SHARE_LEAST] or ranked[:1]
    rest = ranked[len(shown):]
    parts: list[Any] = [html.H3(text.CAUSES), html.P(text.CAUSES_MORE, className="hint"), html.Ol([_cause(cause, n == 0) for n, cause in enumerate(shown)], className="causes")]
    if rest:
        words = text.CAUSES_REST.get(len(rest), text.CAUSES_REST[2]).format(n=len(rest))
        parts.append(components.fold(words, html.Ol([_cause(cause, False) for cause in rest], className="causes", start=len(shown) + 1)))
    return html.Section(parts, className="said-part said-causes")


def _cause(cause: dict[str, Any], is_open: bool) -> Component:
    share = cause["probability"]
    head = html.Summary([
        html.Span([html.Span(_title(cause), className="cause-title"), html.Span(text.PARTS.get(str(cause.get("part")), ""), className="tag")], className="cause-name"),
        html.Span([html.Meter(min="0", max="1", value=f"{share:.3f}", className="cause-bar", **{"aria-hidden": "true"}),
                   html.Span(f"{chance_words(share)}, {chance_text(cause)}", className="cause-share")], className="cause-chance"),
    ])
    body = [
        html.P(cause.get("words"), className="own-words") if cause.get("words") else None,
        *_evidence(text.FOR, cause.get("for") or [], text.FOR_NONE), *_evidence(text.AGAINST, cause.get("against") or [], text.AGAINST_NONE),
        html.P(f"{text.BASIS.format(basis=cause['basis'])}. {WITHIN_WORDS}", className="hint") if cause.get("basis") else None,
    ]
    return html.Li(html.Details([head, html.Div(body, className="cause-body")], open=is_open, className="cause"))


def reading_words(key: str) -> str:
    """A reading by which a cause is judged, as the form calls it."""
    fields = {name: label.partition(" / ")[0] for name, label, *_rest in text.READING_FIELDS}
    words = {**{f"look.{item}": label for item, label in text.LOOK_ITEMS.items()}, **fields, **text.READING_NAMES}
    base, _line, number = key.rpartition("_")
    shown = words.get(key) or (f"{words[base]} {number}" if base in words and number.isdecimal() else key.replace("_", " "))
    return shown[:1].lower() + shown[1:]


def _evidence(title: str, items: Sequence[dict[str, Any]], none: str) -> list[Component]:
    lines = [html.Li([html.Strong(f"{advice.capital(reading_words(item['reading']))}: "), str(item["words"]), *_factor(item.get("factor"))]) for item in items]
    return [html.P(title, className="evidence-head"), html.Ul(lines) if lines else html.P(none, className="quiet")]


def _factor(factor: float | None) -> list[Any]:
    if not factor:
        return []
    words = times_text(factor)
    return [html.Span(f" ({text.TIMES[factor > 1.0].format(factor=words)})", className="quiet")] if words else []


def _ruled_out(evaluation: dict[str, Any]) -> Component | None:
    out = evaluation.get("ruled_out") or []
    if not out:
        return None
    together: dict[str, list[str]] = {}
    for item in out:
        together.setdefault("; ".join(f"{reading_words(by['reading'])}: {by['words']}" for by in item.get("by") or ()), []).append(_title(item))
    lines = [html.Li([html.Strong("; ".join(titles)), text.RULED_OUT_BY.format(readings=words)]) for words, titles in together.items()]
    return html.Section([html.H3(text.RULED_OUT), html.Ul(lines)], className="said-part")


def _next(evaluation: dict[str, Any]) -> Component | None:
    steps = evaluation.get("next") or []
    if not steps:
        return html.Section([html.H3(text.NEXT), html.P(text.NEXT_NONE, className="quiet")], className="said-part") if evaluation.get("causes") else None
    first, rest = steps[0], steps[1:4]
    titles = {cause["code"]: advice.capital(str(cause["title"])) for cause in evaluation.get("causes") or ()}
    heeded = [item["code"] for item in evaluation.get("cautions") or ()]
    parts: list[Any] = [html.H3(text.NEXT), html.P(text.NEXT_MORE, className="hint"), _step(first, titles, True, heeded)]
    if rest:
        parts.append(html.Ul([html.Li(_step(step, titles, False, heeded)) for step in rest], className="next-rest"))
    return html.Section(parts, className="said-part said-next")


def _step(step: dict[str, Any], titles: dict[str, str], first: bool, heeded: Collection[str]) -> Component:
    facts = [text.NEXT_MINUTES.format(n=significant_text(float(step["minutes"]), 2))] if step.get("minutes") is not None else []
    if step.get("needs"):
        needs = step["needs"]
        facts.append(text.NEXT_NEEDS.format(needs=needs if isinstance(needs, str) else ", ".join(needs)))
    split = list(dict.fromkeys(titles[code] for code in step.get("splits") or () if code in titles))
    enter = html.A(text.NEXT_ENTER, href=f"#{ids.FORM}", className="button quiet-button no-print",
                   **{"data-to-field": field_of(step), "aria-label": f"{text.NEXT_ENTER}: {step['words']}"})
    parts = [
        html.Div([html.Strong(advice.capital(str(step["words"]))), enter], className="next-head"), html.P("; ".join(facts), className="quiet") if facts else None,
        html.P(str(step["how"])) if first and step.get("how") else None,
        html.P(text.NEXT_SPLITS.format(causes="; ".join(split[:4])), className="hint") if first and split else None,
        components.caution(CAUTIONS[step["caution"]]) if first and step.get("caution") in CAUTIONS and step["caution"] not in heeded else None,
    ]
    return html.Div(parts, className="next-one next-first" if first else "next-one")


FORM_KEYS = frozenset(key for key, *_rest in text.READING_FIELDS)
"""Entries of the form that are no further measurement and bear a name of one word."""
_FIRST = {"look": "look.swollen", "taps": "taps.0", "probes": "probe.0.ohm", "board_current": "board_current_ma"}
"""Where a measurement of many entries begins."""


def field_of(step: dict[str, Any]) -> str:
    """Key of the entry that takes a measurement: of one group or tap if its place is known, else without a number."""
    name = str(step.get("enter") or step["key"])
    if name in _FIRST or name in FORM_KEYS or name.startswith("look."):
        return _FIRST.get(name, name)
    return f"observed.{name.removesuffix('_N')}"


# ---- readings --------------------------------------------------------------------------------------------------


def level_mark(level: str | None) -> Component:
    """Level of a group as shape and words."""
    shape, words = text.LEVELS.get(level or "unknown", text.LEVELS["unknown"])
    return html.Span([html.Span(className=f"shape shape-{shape}", **{"aria-hidden": "true"}), html.Span(words)], className=f"result result-{shape} level")


def charge_text(group: dict[str, Any]) -> str:
    """The charge that a group's voltage supports, as an interval."""
    low, high = group.get("low_state_of_charge"), group.get("high_state_of_charge")
    if low is None or high is None:
        return text.NOT_KNOWN if group.get("state_of_charge") is None else figure_text(group["state_of_charge"], group.get("u_state_of_charge"), "share")
    return text.CHARGE_RANGE.format(low=f"{100.0 * low:.0f}", high=f"{100.0 * high:.0f} %").replace(" ", "\N{NO-BREAK SPACE}")


def _groups(evaluation: dict[str, Any]) -> Component | None:
    taps = evaluation.get("taps") or {}
    groups = taps.get("groups") or []
    if not any(group.get("voltage_v") is not None for group in groups):
        return None
    rows = [
        [str(group["group"]), figure_text(group.get("voltage_v"), group.get("u_voltage_v"), "V"), charge_text(group), level_mark(group.get("level"))]
        for group in groups
    ]
    classes = ["row-marked" if group.get("level") in ("no_charge", "reversed", "over_full") else "" for group in groups]
    figure = group_voltages(taps, text.FIGURE_TITLE, text.FIGURE_X, {key: words for key, (_shape, words) in text.LEVELS.items()})
    graph = dcc.Graph(figure=figure, config=style.STATIC_CONFIG, className="bench-groups") if figure is not None else None
    picture = html.Div(graph, role="img", **{"aria-label": text.FIGURE_SPOKEN}) if graph is not None else None
    said = [_found(taps), _sum(taps), _spread(taps)]
    return html.Section(
        [html.H3(text.GROUPS), *[html.P(words) for words in said if words], picture,
         components.table(text.GROUPS_HEADS, rows, text.GROUPS_CAPTION, numbers=(1, 2), row_classes=classes, class_name="wide-table bench-table")],
        className="said-part said-groups",
    )


def _found(taps: dict[str, Any]) -> str:
    if taps.get("expected_taps") is None or taps.get("found_taps") is None or taps.get("expected_taps") == taps.get("found_taps"):
        return ""
    return text.TAPS_FOUND.format(found=taps["found_taps"], expected=taps["expected_taps"])


def _sum(taps: dict[str, Any]) -> str:
    if taps.get("sum_v") is None:
        return ""
    total = figure_text(taps["sum_v"], taps.get("u_sum_v"), "V")
    words = (text.SUM_PART if taps.get("sum_is_part") else text.SUM).format(sum=total)
    if taps.get("compared_with") in text.SUM_AGAINST and taps.get("difference_v") is not None:
        words += " " + text.SUM_AGAINST[taps["compared_with"]].format(difference=figure_text(taps["difference_v"], taps.get("u_difference_v"), "V"))
    return words


def _spread(taps: dict[str, Any]) -> str:
    if taps.get("median_v") is None or taps.get("spread_v") is None:
        return ""
    return text.SPREAD.format(median=figure_text(taps["median_v"], taps.get("u_median_v"), "V"), spread=figure_text(taps["spread_v"], taps.get("u_spread_v"), "V"))


def _remarks(evaluation: dict[str, Any]) -> Component:
    found = sorted(evaluation.get("remarks") or (), key=lambda item: SEVERITIES.index(item["severity"]) if item["severity"] in SEVERITIES else len(SEVERITIES))
    if not found:
        return html.Section([html.H3(text.REMARKS), html.P(text.REMARKS_NONE, className="quiet")], className="said-part")
    items = [html.Li(_remark(item), className=f"remark-item finding-{item['severity']}") for item in found]
    return html.Section([html.H3(text.REMARKS), html.Ul(items, className="sheet-remarks")], className="said-part")


def _remark(item: dict[str, Any]) -> list[Component | None]:
    evidence = components.evidence_text(item.get("evidence"))
    evidence = evidence if " " in evidence else ""  # a lone word or code tells nobody anything
    return [components.severity_mark(item["severity"]), html.Div([html.P(advice.capital(str(item["message"]))),
                                                                  html.P(evidence, className="hint") if evidence else None], className="remark-words")]


def _probes(evaluation: dict[str, Any]) -> Component | None:
    probes = evaluation.get("probes") or []
    if not probes:
        return None
    return html.Section([html.H3(text.PROBES_RESULT), html.Ul([html.Li(_probe(probe, number)) for number, probe in enumerate(probes, 1)])], className="said-part")


def _probe(probe: dict[str, Any], number: int) -> list[Component | str]:
    """One thermistor in words: reading, what it shows, what is wrong with it, its type."""
    named = probe.get("name") or text.PROBE_NAME.format(n=number)
    parts: list[Component | str] = [html.Strong(f"{named}: "), text.PROBE_READS.format(ohm=ohm_text(probe.get("ohm")))]
    if probe.get("temperature_c") is not None:
        parts.append(text.PROBE_SHOWS.format(figure=figure_text(probe["temperature_c"], probe.get("u_temperature_c"), "degC")))
    if probe.get("reference_c") is not None:
        parts.append(text.PROBE_PLACE.format(figure=f"{significant_text(probe['reference_c'], 3)} °C"))
    found = [text.PROBE_FINDINGS.get(code, code.replace("_", " ")) for code in probe.get("findings") or ()]
    if found:
        grave = not {"probe_type_unknown", "probe_not_read"}.issuperset(probe["findings"])
        parts += [". ", html.Strong(advice.capital(", ".join(found)), className="probe-found" if grave else "probe-noted")]
    if found and probe.get("board_believes_c") is not None:
        believed = f"{significant_text(probe['board_believes_c'], 2)} °C"
        parts.append(f". {text.PROBE_BELIEVES.format(figure=believed)}")
    kind = probe.get("type")
    source = text.PROBE_FROM.get(probe.get("type_from"), "")
    words = f"{kind}{', ' + source if source else ''}" if kind else text.PROBE_CANDIDATES.format(types="; ".join(probe["candidates"])) if probe.get("candidates") else ""
    return [*parts, f". {text.PROBE_TYPE}: {words}." if words else "."]


def ohm_text(ohm: Any) -> str:
    """A resistance as a meter shows it."""
    if ohm is None:
        return text.PROBE_OVERLOAD
    if isinstance(ohm, str):
        return ohm
    return f"{significant_text(ohm / 1e3, 5)} kΩ" if abs(ohm) >= 1e3 else f"{significant_text(ohm, 5)} Ω"


def _missing(evaluation: dict[str, Any]) -> Component | None:
    found = evaluation.get("missing") or []
    if not found:
        return None
    lines = [html.Li([html.Strong(advice.capital(str(item["what"]))), f": {item['why']}. ", advice.capital(str(item.get("how") or ""))]) for item in found]
    return html.Section(components.fold(f"{text.MISSING} ({len(found)})", html.Ul(lines)), className="said-part")
