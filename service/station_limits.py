"""Limits as a stations file states them: of a station, of its check, and of a plan on every station."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from service.check.limits import CheckLimitError, CheckLimits, check_limits_from
from service.pipeline.expectation import Limits
from service.pipeline.limits import LimitError, limits_from
from service.plans import PLANS
from service.toml_tables import Place


def limits(table: Mapping[str, Any], where: Place) -> Limits:
    """What a table states under `limits`. BadStationsFile."""
    given, place = table.get("limits", {}), where.at_table("limits")
    place.table_of(given, [f.name for f in dataclasses.fields(Limits)])
    try:
        return limits_from(given)
    except LimitError as error:
        raise place.wrong(str(error)) from None


def plan_limits(plans: Any, where: Place) -> dict[str, Mapping[str, Any]]:
    """What the file states under `[plan.NAME.limits]`, each of them tried. BadStationsFile."""
    where.table_of(plans, [plan.name for plan in PLANS])
    for name, table in plans.items():
        where.at_table(name).table_of(table, ["limits"])
        limits(table, where.at_table(name))
    return {name: table.get("limits", {}) for name, table in plans.items()}


def check_limits(table: Mapping[str, Any], where: Place) -> CheckLimits:
    """What a station states under `check_limits`. BadStationsFile."""
    given, place = table.get("check_limits", {}), where.at_table("check_limits")
    place.table_of(given, [f.name for f in dataclasses.fields(CheckLimits)])
    try:
        return check_limits_from(given)
    except CheckLimitError as error:
        raise place.wrong(str(error)) from None
