"""Which page writes up which result, as which command, and which of its sentences come first."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module

from stripwise.errors import OutputError
from stripwise.report.components import Report

__all__ = ["report_of", "sentences_of"]

PAGES = "stripwise.report.pages"


@dataclass(frozen=True, slots=True)
class _Page:
    """The module of a page, its report and sentences of one result, and the command it is of."""

    module: str
    report: str
    command: str
    sentences: str = ""


RESULT_PAGES = {
    "Assessment": _Page("run_page", "run_report", "run"),
    "DesignResult": _Page("design_page", "design_report", "design"),
    "TargetResult": _Page("target_page", "target_report", "target"),
    "Ranking": _Page("rank_page", "rank_report", "rank"),
    "SiteAnswer": _Page("stripped_page", "site_answer_report", "stripped", "site_sentences"),
    "PlannedTests": _Page("plan_tests_page", "plan_report", "plan-tests", "plan_sentences"),
    "ProfilesStudy": _Page(
        "profiles_page", "profiles_report", "fit (profiles)", "profiles_sentences"
    ),
    "MigrationStudy": _Page(
        "migration_page", "migration_report", "fit (migration)", "migration_sentences"
    ),
    "CoverSurveyStudy": _Page(
        "cover_survey_page", "survey_report", "fit (cover-survey)", "survey_sentences"
    ),
    "StripLogStudy": _Page(
        "strip_log_page", "strip_log_report", "fit (strip-log)", "strip_log_sentences"
    ),
    "DryingStudy": _Page("drying_page", "drying_report", "fit (drying)", "drying_sentences"),
    "FaceMapsStudy": _Page(
        "face_maps_page", "face_maps_report", "fit (face-maps)", "face_maps_sentences"
    ),
    "UpdateResult": _Page("update_page", "update_report", "update", "update_sentences"),
    "InventoryResult": _Page(
        "inventory_page", "inventory_report", "inventory", "inventory_sentences"
    ),
}
"""By the class of the result; a page is imported when it is asked for, so that no other waits."""


def report_of(result: object) -> tuple[Report, str]:
    """Return the report of a result and the command it belongs to; OutputError if there is none."""
    name = type(result).__name__
    if name not in RESULT_PAGES:
        raise OutputError(f"{name[:80]} is no result with a report")
    page = RESULT_PAGES[name]
    report: Report = getattr(import_module(f"{PAGES}.{page.module}"), page.report)(result)
    return report, page.command


def sentences_of(result: object) -> tuple[str, ...]:
    """Return what the report of a result says first, without drawing it."""
    page = RESULT_PAGES[type(result).__name__]
    found: tuple[str, ...] = getattr(import_module(f"{PAGES}.{page.module}"), page.sentences)(
        result
    )
    return found
