"""The grid of sessions: sorts, filters and scrolls thousands of rows."""

from __future__ import annotations

from typing import Any

import dash_ag_grid as dag
import polars as pl
from dash.development.base_component import Component

from dashboards.figures.library import picture_words

GRID = "library-grid"


def grid_rows(sessions: pl.DataFrame, places: dict[str, list[str]]) -> list[dict[str, Any]]:
    """Return the grid's rows: plain values, short keys where there are many."""
    if not sessions.height:
        return []
    rows = sessions.select(
        "session",
        "arm",
        "start",
        "minutes",
        "base_end",
        "payload_kg",
        "person",
        "completeness",
        "marks",
        "worst",
        "flags",
        "open",
        "checked",
        "signed",
        "rate_hz",
        "source",
    ).to_dicts()
    for row in rows:
        row["start"] = f"{row['start']:%Y-%m-%d %H:%M:%S}"
        row["picture"] = picture_words(row["marks"], places[row["arm"]], row["completeness"])
        row["person"] = {True: "yes", False: "no", None: "not known"}[row["person"]]
    return rows


def session_grid(sessions: pl.DataFrame, places: dict[str, list[str]]) -> Component:
    """Return the grid over the whole catalogue."""
    more = {"hide": True}
    number = {"filter": "agNumberColumnFilter", "type": "rightAligned"}
    columns: list[dict[str, Any]] = [
        # Both stay at the left; where there is no room for two, the grid lets the first go: a
        # session that is flagged at its last joint must not look clean.
        {
            "field": "session",
            "headerName": "Session",
            "cellRenderer": "SessionLink",
            "width": 243,
            "pinned": "left",
        },
        {
            "field": "picture",
            "headerName": "Joints, how complete",
            "cellRenderer": "SessionPicture",
            "width": 154,
            "pinned": "left",
            "comparator": {"function": "jointbookByWorst"},
        },
        {
            "field": "start",
            "headerName": "Start (UTC)",
            "width": 136,
            "sort": "desc",
            "valueFormatter": {"function": "params.value.slice(0, 16)"},  # seconds: in the tooltip
            "tooltipField": "start",
        },
        {"field": "open", "headerName": "Open flags", "width": 78, **number},
        {
            "field": "signed",
            "headerName": "Signed",
            "width": 78,
            "headerTooltip": "Whether the session's review is signed off",
        },
        {
            "field": "person",
            "headerName": "Person on tip",
            "width": 86,
            "headerTooltip": "Not known: not said, or varying in the session",
        },
        {
            "field": "checked",
            "headerName": "Checked",
            "width": 88,
            "valueFormatter": {"function": "params.value ? 'yes' : 'not yet'"},
            "cellDataType": False,
        },
        {"field": "flags", "headerName": "Flags", "width": 78, **number},
        {"field": "minutes", "headerName": "Minutes", "width": 94, **number},
        {"field": "arm", "headerName": "Arm", "width": 62},
        # What follows has room on a wide screen, or after “More columns” (`assets/library.js`).
        {"field": "base_end", "headerName": "Base end", "width": 84, **more},
        {
            "field": "payload_kg",
            "headerName": "Payload kg",
            "width": 96,
            "headerTooltip": "Empty: not said, or varying in the session",
            **more,
            **number,
        },
        {
            "field": "rate_hz",
            "headerName": "Hz",
            "width": 75,
            "valueFormatter": {"function": "params.value ? d3.format('.3~g')(params.value) : ''"},
            **more,
            **number,
        },
        {"field": "source", "headerName": "Source", "width": 240, **more},
    ]
    grid: Component = dag.AgGrid(
        id=GRID,
        rowData=grid_rows(sessions, places),
        columnDefs=columns,
        defaultColDef={
            "sortable": True,
            "filter": "agTextColumnFilter",
            "resizable": True,
            "suppressHeaderMenuButton": False,
            "wrapHeaderText": True,
        },
        getRowId="params.data.session",
        dashGridOptions={
            "context": {"places": places},
            "rowSelection": {"mode": "multiRow", "enableClickSelection": False},
            "selectionColumnDef": {"width": 38},
            "includeHiddenColumnsInQuickFilter": True,  # a file is found by its name, seen or not
            "rowHeight": 34,
            "animateRows": False,
            "tooltipShowDelay": 400,
            "localeText": {
                "noMatchingRows": "No session has this in its row.",
                "noRowsToShow": "No session yet.",
            },
            "ensureDomOrder": True,
            # Tab leaves the grid, arrows go about in it: what stands below would else be
            # some thousand presses away.
            "tabToNextCell": {"function": "false"},
            "tabToNextHeader": {"function": "false"},
        },
        className="library-grid",
        style={"height": "calc(100vh - 300px)", "minHeight": "260px", "width": "100%"},
    )
    return grid
