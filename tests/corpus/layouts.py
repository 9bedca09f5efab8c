"""The corpus: naming × units × times × containers, drawn evenly, and layouts of one kind each."""

from __future__ import annotations

import gzip
import io
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from tests.corpus.truth import Case, Truth, motion

TO_RAD = np.pi / 180
QUANTITY_OF = {
    "angle": "angle_deg",
    "commanded_angle": "angle_cmd_deg",
    "rate": "rate_deg_s",
    "commanded_rate": "rate_cmd_deg_s",
    "current": "current_a",
    "target_current": "current_target_a",
    "temperature": "temperature_c",
    "torque": "torque_nm",
}
FACTORS = {
    "deg": 1.0, "rad": TO_RAD, "deg/s": 1.0, "rad/s": TO_RAD, "rpm": 1 / 6, "A": 1.0, "mA": 1e3,
    "degC": 1.0, "N m": 1.0,
}  # fmt: skip


@dataclass(frozen=True)
class Naming:
    """One recorder's way of naming: a pattern and a unit by quantity; ``{k}`` is the joint."""

    name: str
    keys: tuple[str, ...]
    columns: dict[str, tuple[str, str]]
    time: str = "time"


NAMINGS = (
    Naming("units-in-names", ("1", "2", "3"), {
        "angle": ("joint{k}_pos_deg", "deg"), "rate": ("joint{k}_vel_deg_s", "deg/s"),
        "current": ("joint{k}_current_A", "A"), "temperature": ("joint{k}_temp_degC", "degC")}),
    Naming("brackets", ("1", "2", "3"), {
        "angle": ("J{k} Angle [rad]", "rad"), "rate": ("J{k} Rate [rad/s]", "rad/s"),
        "current": ("J{k} Motor Current [mA]", "mA")}, "Time"),
    Naming("actual-target", ("0", "1", "2"), {
        "angle": ("actual_q_{k}", "deg"), "commanded_angle": ("target_q_{k}", "deg"),
        "rate": ("actual_qd_{k}", "deg/s"), "commanded_rate": ("target_qd_{k}", "deg/s"),
        "current": ("actual_current_{k}", "A"), "target_current": ("target_current_{k}", "A"),
        "temperature": ("joint_temperatures_{k}", "degC")}, "timestamp"),
    Naming("array", ("0", "1", "2"), {
        "angle": ("state.position[{k}]", "deg"), "rate": ("state.velocity[{k}]", "deg/s"),
        "current": ("state.current[{k}]", "A")}, "stamp"),
    Naming("mixed-units", ("1", "2", "3"), {
        "angle": ("q{k}_deg", "deg"), "rate": ("w{k}_rad_s", "rad/s"),
        "current": ("i{k}_A", "A")}, "t"),
    Naming("named-joints", ("shoulder_pan", "elbow_lift", "wrist_roll"), {
        "angle": ("{k}_angle_deg", "deg"), "rate": ("{k}_speed_rpm", "rpm"),
        "current": ("{k}_current_mA", "mA")}),
    Naming("german", ("1", "2", "3"), {
        "angle": ("Gelenkwinkel_{k} [Grad]", "deg"), "commanded_angle": ("Sollwinkel_{k} [Grad]",
        "deg"), "current": ("Motorstrom_{k} [A]", "A"),
        "temperature": ("Motortemperatur_{k} [°C]", "degC")}, "Zeitstempel"),
    Naming("french", ("1", "2", "3"), {
        "angle": ("position_axe_{k}_deg", "deg"), "rate": ("vitesse_axe_{k}_deg_s", "deg/s"),
        "current": ("courant_axe_{k}_A", "A")}, "horodatage"),
    Naming("spanish", ("1", "2", "3"), {
        "angle": ("ángulo_eje_{k}_deg", "deg"), "rate": ("velocidad_eje_{k}_deg_s", "deg/s"),
        "current": ("corriente_eje_{k}_A", "A")}, "tiempo"),
    Naming("italian", ("1", "2", "3"), {
        "angle": ("angolo_giunto_{k}_deg", "deg"), "rate": ("velocità_giunto_{k}_deg_s", "deg/s"),
        "current": ("corrente_giunto_{k}_A", "A")}, "tempo"),
    Naming("torque-too", ("1", "2", "3"), {
        "angle": ("axis{k}.pos.actual [deg]", "deg"), "current": ("axis{k}.cur.actual [A]", "A"),
        "torque": ("axis{k}.torque.actual [Nm]", "N m")}, "clock"),
    Naming("short", ("1", "2", "3", "4"), {
        "angle": ("pos{k}", "deg"), "rate": ("vel{k}", "deg/s"), "current": ("cur{k}", "A")}, "ts"),
)  # fmt: skip

TIMES: dict[str, Callable[[np.ndarray], list[object]]] = {
    "iso8601": lambda ns: [_iso(n) + "Z" for n in ns],
    "epoch-s": lambda ns: [f"{n // 10**9}.{n % 10**9:09d}" for n in ns],
    "epoch-ms": lambda ns: [int(n // 10**6) for n in ns],
    "epoch-us": lambda ns: [int(n // 1000) for n in ns],
    "epoch-ns": lambda ns: [int(n) for n in ns],
    "serial-days": lambda ns: [25_569 + n / 86_400e9 for n in ns],
    "%d.%m.%Y %H:%M:%S": lambda ns: [
        f"{s[8:10]}.{s[5:7]}.{s[:4]} {s[11:]}" for s in (_iso(n) for n in ns)
    ],
    "day-of-year": lambda ns: [
        f"{s[:4]}-{np.datetime64(s[:10]).astype('M8[D]').item().timetuple().tm_yday:03d}T{s[11:]}"
        for s in (_iso(n) for n in ns)
    ],
}


def _iso(ns: int) -> str:
    return str(np.datetime64(int(ns), "ns"))[:26]


def _csv(frame: pl.DataFrame, path: Path, separator: str = ",") -> Path:
    target = path.with_suffix(".csv")
    target.write_text(frame.write_csv(separator=separator), encoding="utf-8")
    return target


def _comma(frame: pl.DataFrame, path: Path) -> Path:
    words = frame.with_columns(
        pl.col(pl.Float64).cast(pl.String).str.replace(".", ",", literal=True)
    )
    return _csv(words, path, ";")


def _coded(frame: pl.DataFrame, path: Path, encoding: str, ends: str = "\n") -> Path:
    target = path.with_suffix(".csv")
    target.write_bytes(frame.write_csv().replace("\n", ends).encode(encoding))
    return target


def _gz(frame: pl.DataFrame, path: Path) -> Path:
    target = path.with_suffix(".csv.gz")
    target.write_bytes(gzip.compress(frame.write_csv().encode()))
    return target


def _ndjson(frame: pl.DataFrame, path: Path) -> Path:
    target = path.with_suffix(".ndjson")
    frame.write_ndjson(target)
    return target


def _parquet(frame: pl.DataFrame, path: Path) -> Path:
    target = path.with_suffix(".parquet")
    frame.write_parquet(target)
    return target


def _arrow(frame: pl.DataFrame, path: Path) -> Path:
    target = path.with_suffix(".arrow")
    frame.write_ipc(target)
    return target


def _xlsx(frame: pl.DataFrame, path: Path) -> Path:
    target = path.with_suffix(".xlsx")
    frame.write_excel(target)
    return target


def _titled(frame: pl.DataFrame, path: Path) -> Path:
    target = path.with_suffix(".txt")
    target.write_text("# arm log\n# made for a test\n" + frame.write_csv(separator="\t"))
    return target


CONTAINERS: dict[str, Callable[[pl.DataFrame, Path], Path]] = {
    "csv": _csv,
    "semicolon": lambda f, p: _csv(f, p, ";"),
    "decimal-comma": _comma,
    "utf-16": lambda f, p: _coded(f, p, "utf-16"),
    "cr-only": lambda f, p: _coded(f, p, "utf-8", "\r"),
    "crlf-bom": lambda f, p: _coded(f, p, "utf-8-sig", "\r\n"),
    "gzip": _gz,
    "titled": _titled,
    "ndjson": _ndjson,
    "parquet": _parquet,
    "arrow": _arrow,
    "xlsx": _xlsx,
}


def frame_of(naming: Naming, truth: Truth, times: list[object]) -> pl.DataFrame:
    """Return the log's table as the recorder names and scales it."""
    columns: dict[str, object] = {naming.time: times}
    for place, key in enumerate(naming.keys):
        for quantity, (pattern, unit) in naming.columns.items():
            values = truth.channels[QUANTITY_OF[quantity]][place]
            columns[pattern.format(k=key)] = values * FACTORS[unit]
    return pl.DataFrame(columns, strict=False)


def map_of(naming: Naming, form: str, more_time: str = "", more_log: str = "") -> str:
    """Return the map that is right for a naming."""
    numbers = all(k.isdigit() for k in naming.keys)
    joints = str(len(naming.keys)) if numbers else json.dumps(list(naming.keys))
    first = f"first_number = {naming.keys[0]}\n" if numbers else ""
    out = [f"[log]\njoints = {joints}\n{first}{more_log}"]
    out.append(f"[time]\ncolumn = {json.dumps(naming.time)}\nformat = {json.dumps(form)}\n")
    out.append(more_time)
    for quantity, (pattern, unit) in naming.columns.items():
        columns = [pattern.format(k=k) for k in naming.keys]
        out.append(
            f"[joint.{quantity}]\ncolumns = {json.dumps(columns, ensure_ascii=False)}\n"
            f"unit = {json.dumps(unit)}\n"
        )
    return "\n".join(out)


def lines_of(naming: Naming, form: str) -> dict[tuple[str, str], object]:
    """Return the lines that a proposal should come to."""
    lines: dict[tuple[str, str], object] = {
        ("time", "column"): naming.time,
        ("time", "format"): form,
    }
    for quantity, (pattern, unit) in naming.columns.items():
        lines[f"joint.{quantity}", "column"] = tuple(pattern.format(k=k) for k in naming.keys)
        lines[f"joint.{quantity}", "unit"] = unit
    return lines


def joints_of(naming: Naming) -> list[str]:
    """Return the joints' names as the archive will have them."""
    return [f"J{k}" if k.isdigit() else k for k in naming.keys]


def drawn(folder: Path) -> Iterator[Case]:
    """Yield the drawn part: every naming in every container, times taken in turn."""
    seed = 0
    forms = list(TIMES)
    for n, naming in enumerate(NAMINGS):
        for c, (container, write) in enumerate(CONTAINERS.items()):
            seed += 1
            form = forms[(n + c) % len(forms)]
            if container == "decimal-comma" and form in ("epoch-s", "serial-days"):
                form = "epoch-ms"
            truth = motion(seed, len(naming.keys))
            frame = frame_of(naming, truth, TIMES[form](truth.ns))
            name = f"{naming.name}-{container}-{form.replace('%', '').replace(':', '')[:12]}"
            name = name.replace(" ", "_").replace(".", "")
            path = write(frame, folder / name)
            yield Case(
                name,
                [path],
                map_of(naming, form),
                joints_of(naming),
                truth,
                lines_of(naming, form),
                tolerance=2e-6,
            )


def odd(folder: Path) -> Iterator[Case]:
    """Yield layouts of one kind each."""
    seed = 500
    naming = NAMINGS[0]

    def made(name: str, truth: Truth, files: list[Path], log_map: str, **more: object) -> Case:
        return Case(name, files, log_map, joints_of(naming), truth, {}, **more)  # type: ignore[arg-type]

    def fresh() -> tuple[Truth, pl.DataFrame]:
        nonlocal seed
        seed += 1
        truth = motion(seed, len(naming.keys))
        return truth, frame_of(naming, truth, TIMES["iso8601"](truth.ns))

    right = map_of(naming, "iso8601")

    truth, frame = fresh()
    path = folder / "nul-tail.csv"
    path.write_bytes(frame.write_csv().encode() + b"\x00" * 3_000_000)
    yield made("nul-tail", truth, [path], right)

    truth, frame = fresh()
    path = folder / "sparse.ndjson"
    with path.open("w") as sink:
        for row in frame.to_dicts():
            for key, value in row.items():
                if key != "time":
                    sink.write(json.dumps({"time": row["time"], key: value}) + "\n")
    yield made("sparse-ndjson", truth, [path], right)

    truth, frame = fresh()
    path = folder / "turned-header.csv"
    turned = frame.select(frame.columns[::-1])
    path.write_text(frame.head(60).write_csv() + turned.slice(60).write_csv())
    yield made("header-again-in-another-order", truth, [path], right)

    truth, frame = fresh()
    path = folder / "header-again.csv"
    path.write_text(frame.head(60).write_csv() + frame.slice(60).write_csv())
    yield made("header-again", truth, [path], right)

    for kind, dtype in (("list", pl.List(pl.Float64)), ("array", pl.Array(pl.Float64, 3))):
        truth, frame = fresh()
        path = folder / f"nested-{kind}.parquet"
        nested = pl.DataFrame({"time": frame["time"]})
        for quantity in ("angle", "current"):
            parts = np.stack(truth.channels[QUANTITY_OF[quantity]], axis=1)
            nested = nested.with_columns(pl.Series(quantity, parts.tolist(), dtype=dtype))
        nested.write_parquet(path)
        text = (
            '[log]\njoints = 3\nfirst_number = 0\n[time]\ncolumn = "time"\n'
            '[joint.angle]\ncolumn = "angle.{n}"\nunit = "deg"\n'
            '[joint.current]\ncolumn = "current.{n}"\nunit = "A"\n'
        )
        case = made(f"parquet-{kind}", truth, [path], text)
        case.joints = ["J0", "J1", "J2"]
        yield case

    truth, frame = fresh()
    path = folder / "struct.parquet"
    pl.DataFrame({"time": frame["time"], "s": frame.drop("time").to_struct()}).write_parquet(path)
    text = right
    for pattern, _ in naming.columns.values():
        for k in naming.keys:
            text = text.replace(f'"{pattern.format(k=k)}"', f'"s.{pattern.format(k=k)}"')
    yield made("parquet-struct", truth, [path], text)

    for place in ("name", "folder", "sidecar"):
        truth, frame = fresh()
        since = [f"{(n - truth.ns[0]) / 1e9:.3f}" for n in truth.ns]
        stamp = _iso(truth.ns[0])[:19].replace("-", "").replace(":", "").replace("T", "_")
        own = folder / (stamp if place == "folder" else f"start-{place}")
        own.mkdir()
        path = own / (f"arm_{stamp}.csv" if place == "name" else "arm.csv")
        frame.with_columns(time=pl.Series(since)).write_csv(path)
        if place == "sidecar":
            (own / "arm.txt").write_text(f"began {stamp} by the wall clock\n")
        more = f'start_from = "{place}"\nstart_format = "%Y%m%d_%H%M%S"\n'
        yield made(f"start-in-{place}", truth, [path], map_of(naming, "seconds", more))

    for unit, factor in (("milliseconds", 1e3), ("microseconds", 1e6), ("nanoseconds", 1e9)):
        truth, frame = fresh()
        since = [round((n - truth.ns[0]) / 1e9 * factor) for n in truth.ns]
        path = folder / f"since-{unit}.csv"
        frame.with_columns(time=pl.Series(since)).write_csv(path)
        more = f'start = "{_iso(truth.ns[0])}Z"\n'
        yield made(f"since-{unit}", truth, [path], map_of(naming, unit, more))

    truth, frame = fresh()
    files = []
    for k in naming.keys:
        path = folder / f"one-joint-axis{k}.csv"
        mine = [p.format(k=k) for p, _ in naming.columns.values()]
        names = dict(zip(mine, ("pos", "vel", "cur", "temp"), strict=True))
        frame.select("time", *mine).rename(names).write_csv(path)
        files.append(path)
    text = '[log]\njoints = 3\njoint_in_name = "axis{n}"\n[time]\ncolumn = "time"\n'
    for quantity, column in (("angle", "pos"), ("rate", "vel"), ("current", "cur")):
        unit = naming.columns[quantity][1]
        text += f'[joint.{quantity}]\ncolumn = "{column}"\nunit = "{unit}"\n'
    yield made("one-joint-a-file", truth, files, text)

    truth, frame = fresh()
    path = folder / "no-header.csv"
    path.write_text(frame.write_csv(include_header=False))
    text = right
    for place, column in enumerate(frame.columns, 1):
        text = text.replace(f'"{column}"', f'"column_{place}"')
    yield made("no-header", truth, [path], text)

    truth, frame = fresh()
    path = folder / "optional.csv"
    frame.write_csv(path)
    more = '[joint.torque]\ncolumn = "joint{n}_torque"\nunit = "N m"\noptional = true\n'
    yield made("optional-column", truth, [path], right + more)

    truth, frame = fresh()
    path = folder / "runs.csv"
    frame.with_columns(run=pl.Series(["a"] * 50 + ["b"] * 70)).write_csv(path)
    yield made(
        "two-runs", truth, [path], map_of(naming, "iso8601", "", 'run = "run"\n'), sessions=2
    )

    truth, frame = fresh()
    path = folder / "[brackets] in the name.csv"
    frame.write_csv(path)
    yield made("brackets-in-the-name", truth, [path], right)

    truth, frame = fresh()
    path = folder / "last-row-open.csv"
    path.write_text(frame.with_columns(register=pl.lit(7)).write_csv().removesuffix("\n"))
    yield made("last-row-open", truth, [path], right)

    truth, frame = fresh()
    frame = frame.with_columns(
        **{f"brake{k}": pl.Series(np.where(truth.brakes["brake_engaged"][n], "LOCKED", "FREE"))
           for n, k in enumerate(naming.keys)}
    )  # fmt: skip
    path = folder / "brakes.csv"
    frame.write_csv(path)
    words = 'words = { LOCKED = "engaged", FREE = "released" }\n'
    more = f'[joint.brake_state]\ncolumn = "brake{{n}}"\n{words}'
    yield made("brake-words", truth, [path], right + more)

    truth, frame = fresh()
    path = folder / "long.csv"
    frame.unpivot(index="time", variable_name="channel", value_name="value").sort(
        "time", maintain_order=True
    ).write_csv(path)
    yield made("one-value-a-row", truth, [path], map_of(naming, "iso8601", "", 'layout = "long"\n'))

    truth, frame = fresh()
    buffer = io.StringIO()
    buffer.write(" ".join(frame.columns) + "\n")
    for row in frame.iter_rows():
        buffer.write("  ".join(str(v) for v in row) + "\n")
    path = folder / "blanks.txt"
    path.write_text(buffer.getvalue())
    yield made("parted-by-blanks", truth, [path], right)


def corpus(folder: Path) -> list[Case]:
    """Write the whole corpus below a folder."""
    return [*drawn(folder), *odd(folder)]
