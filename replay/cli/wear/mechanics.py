"""Show what a session's mechanics were: friction, brakes, tip speed, margins, duty.

Friction as wear measures it, with its standard errors and what this session cannot
determine; every brake's delays, as intervals where the sampling allows no number; what moved
while its brake was engaged; the tip's speed against the arm file's limits by
load case; torque margins by a named rule; travel, starts and work per unit.
Margins use friction as seen in this session's conditions, which is not a
torque measured by an agreed procedure. A brake's margin rests on its rating; it is withheld
where the session shows that the brake slipped or released late.
"""

from __future__ import annotations

import argparse
from dataclasses import fields
from typing import TYPE_CHECKING, Any

import polars as pl

from replay.archive import Archive, open_archive
from replay.cli.known import known_sessions
from replay.cli.output import each_once, offer, print_json, print_table, say, with_former_keys
from replay.cli.tables import add_out, checked_out
from replay.errors import ArchiveError, ArmFileError, DamageError

if TYPE_CHECKING:
    from replay.wear.session_friction import JointFriction

HUGE_MARGIN = 1000.0
"""A margin beyond this is shown as such: hardly anything pulls at the joint."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("session", help="the session to look at")
    parser.add_argument(
        "--rule", metavar="NAME", help="margin rule by name, or a TOML file with your own"
    )
    add_out(parser)


def run(args: argparse.Namespace) -> int:
    """Compute and print one session's mechanics."""
    if args.out is not None:
        checked_out(args.out)
    archive = open_archive(args.archive)
    known_sessions(archive, [args.session])
    found = session_mechanics(archive, args.session, rule=args.rule)
    tables = _readable(found)
    offer({title.lower().replace(" ", "-"): rows for title, rows in tables}, args.out)
    if args.json:
        print_json(with_former_keys(found))
        return 0
    for title, rows in tables:
        print(f"\n{title}")
        if rows.height:
            print_table(rows)
        else:
            print("none")
    told = (text.partition(": ") for text in found["not_computed"])
    for text in each_once(((of, why) for of, _, why in told), "entry"):
        say(text)
    return 0


def session_mechanics(archive: Archive, session: str, *, rule: str | None = None) -> dict[str, Any]:
    """Return the document that ``--json`` prints.

    Raises
    ------
    ArchiveError
        There is no such session.
    """
    from replay.arm.margins import load_rule
    from replay.reviews import findings
    from replay.reviews.brakes_in_doubt import withhold_doubted_brakes
    from replay.signals import SessionMechanics
    from replay.wear.reference.store import load
    from replay.wear.session_friction import session_friction

    mechanics = SessionMechanics(archive, session)
    record, references = archive.session(session), load(archive)
    friction, missing = [], []
    kept_back: dict[str, str] = {}
    for name, table in mechanics.tables.items():
        found = session_friction(references, name, record.unit(name), table)
        if found is None:
            missing.append(f"joint {name!r}: too little motion for friction")
            continue
        if found.withheld:
            kept_back[name] = found.withheld
            missing.append(f"joint {name!r}: friction is withheld: {found.withheld}")
        friction.append({**_by_name(found), "stribeck_rate_deg_s": None})
    tip: dict[str, Any] | None = None
    try:
        tip = {"cases": _tip_by_case(mechanics.tip)}
    except DamageError:
        raise
    except (ArchiveError, ArmFileError) as error:
        missing.append(f"tip speed: {error}")
    margins = mechanics.margins(load_rule(rule) if rule else None)
    if not margins.height:
        missing.append(
            "margins: the arm file lacks gear ratio, torque constant or current limit, "
            "or there is too little steady motion"
        )
    # what a motor needs holds the friction; what a brake needs does not
    of_friction = pl.col("joint").is_in(list(kept_back)) & (pl.col("what") == "motor")
    missing += [
        f"joint {name!r}: the motor's margin is withheld: {kept_back[name]}"
        for name in margins.filter(of_friction)["joint"]
    ]
    held = mechanics.held_stretches
    margins = withhold_doubted_brakes(
        margins.filter(~of_friction), findings(archive, session), held
    )
    return {
        "session": session,
        "friction": friction,
        "brake_events": mechanics.brake_events,
        "held_stretches": held,
        "slips": held.filter(pl.col("status").is_in(["slip", "returned"])) if held.height else held,
        "slips_beside_stops": mechanics.neighbour_slips,
        "tip": tip,
        "margins": margins,
        "duty": mechanics.duty,
        "not_computed": missing,
    }


def _by_name(found: JointFriction) -> dict[str, Any]:
    return {f.name: getattr(found, f.name) for f in fields(found)}


def _friction_rows(found: dict[str, Any]) -> list[dict[str, str]]:
    """Return a joint's terms, a line each; those that lack a figure for one reason share one."""
    share = "" if found["r2"] is None else f"{found['r2']:.2f}"
    rows, missing = [], dict[str, list[str]]()
    for t in found["terms"]:
        if t.determined:
            value, note = f"{t.value:.4g} ± {t.se:.2g} {t.unit}", "; ".join(found["warnings"][:1])
            rows.append({"term": t.name, "value": value, "R²": share, "note": note})
        else:
            missing.setdefault(t.why, []).append(t.name)
    for why, names in missing.items():
        every = "every term" if len(names) == len(found["terms"]) else ", ".join(names)
        rows.append({"term": every, "value": "not determined", "R²": share, "note": why})
    return [{"joint": found["joint"], **row} for row in rows]


def _tip_by_case(tip: pl.DataFrame) -> pl.DataFrame:
    """Return fastest tip speed, limit and time over it for each load case."""
    step_s = pl.col("t_s").diff().shift(-1).fill_null(0.0)
    return (
        tip.with_columns(step_s.alias("step_s"))
        .group_by("load_case", maintain_order=True)
        .agg(
            pl.col("tip_speed_m_s").max().alias("fastest_m_s"),
            pl.col("time").get(pl.col("tip_speed_m_s").fill_null(-1.0).arg_max()).alias("at"),
            pl.col("limit_m_s").first(),
            pl.col("step_s").filter(pl.col("over_limit")).sum().alias("over_limit_s"),
        )
        .with_columns(pl.col("at").dt.cast_time_unit("us"))
    )


def _readable(found: dict[str, Any]) -> list[tuple[str, pl.DataFrame]]:
    """Return titled tables for a person, rounded and without what is empty."""
    terms = [row for f in found["friction"] for row in _friction_rows(f)]
    margins = found["margins"]
    if margins.height:
        margins = margins.select(
            "joint",
            "serial",
            "what",
            pl.col("available_nm").round(0),
            pl.col("required_nm").round(1),
            pl.when(pl.col("margin") > HUGE_MARGIN)
            .then(pl.lit(f"over {HUGE_MARGIN:.0f}"))
            .otherwise(pl.col("margin").round(2).cast(pl.String))
            .fill_null("withheld")
            .alias("margin"),
            "rule",
            "rule_date",
            "note",
        )
    events = found["brake_events"]
    if events.height:
        events = events.group_by(
            "joint", "event", "delay_status", "stop_status", maintain_order=True
        ).agg(
            pl.len().alias("count"),
            pl.col("delay_s").max().round(3).alias("longest_delay_s"),
            pl.col("stop_angle_deg").abs().max().round(3).alias("largest_stop_angle_deg"),
        )
    duty = found["duty"]
    tip = found["tip"]
    return [
        ("Friction", pl.DataFrame(terms)),
        ("Brakes", events),
        (
            "Moved while the brake was engaged",
            found["slips"].drop("flex_deg_per_nm", "excursion_at", strict=False),
        ),
        ("Moved when a neighbour stopped", found["slips_beside_stops"]),
        ("Tip speed", tip["cases"] if tip else pl.DataFrame()),
        ("Margins", margins),
        (
            "Duty",
            duty.select(
                "joint", "serial", pl.selectors.numeric().exclude("gap_s", "logged_s").round(1)
            )
            if duty.height
            else duty,
        ),
    ]
