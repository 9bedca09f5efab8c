"""Read an arm file: TOML in, a validated `Arm` out, or an error that names joint and key.

Three ways to give the chain, chosen by ``arm.convention``:

``fixed``
    each joint's frame as a place and roll-pitch-yaw in the previous joint's
    moving frame, and a turning axis in the joint's own frame.
``dh``
    standard Denavit-Hartenberg rows, ``Rz(q + offset) Tz(d) Tx(a) Rx(alpha)``;
    a link's centre and inertia are given in the frame at the row's far end.
``mdh``
    modified (Craig) rows, ``Rx(alpha) Tx(a) Rz(q + offset) Tz(d)``, where
    ``alpha`` and ``a`` are those of the step before the joint.

All three become `Joint.from_previous` and `Joint.axis`, so nothing downstream
knows which was used.

Longer than 245 lines because the reader's checks of one key rely on those before, and errors
name keys alike.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import numpy as np

from replay.arm.description import Arm, Joint, Link
from replay.arm.transforms import (
    Array,
    as_rows,
    from_xyz_rpy,
    inertia_matrix,
    shift,
    six_of,
    turn,
)
from replay.errors import ArmFileError

CONVENTIONS = ("fixed", "dh", "mdh")

_ARM_KEYS = {
    "name",
    "gravity_m_s2",
    "convention",
    "tip_speed_limit_m_s",
    "tip",
    "base_link",
    "payload",
}
_TIP_KEYS = {"xyz_m", "rpy_deg"}
_LIMIT_KEYS = {"bare", "payload", "person"}
_PAYLOAD_KEYS = {"centre_m", "gyration_m"}
_LINK_KEYS = {"mass_kg", "centre_m", "inertia_kg_m2"}
_GEOMETRY_KEYS = {
    "fixed": {"xyz_m", "rpy_deg", "axis"},
    "dh": {"d_m", "a_m", "alpha_deg", "theta_offset_deg"},
    "mdh": {"d_m", "a_m", "alpha_deg", "theta_offset_deg"},
}
_POSITIVE = (
    "rate_limit_deg_s",
    "gear_ratio",
    "torque_constant_nm_a",
    "current_limit_a",
    "brake_torque_nm",
)
_SHARES = ("efficiency_drive", "efficiency_backdrive")
_WORDS = ("serial", "role_base_a", "role_base_b")
_JOINT_KEYS = {
    "name",
    "angle_range_deg",
    "motor_inertia_kg_m2",
    "ripple_orders",
    "geometry",
    "link",
    *_POSITIVE,
    *_SHARES,
    *_WORDS,
}


def load_arm(source: str | Path) -> Arm:
    """Read an arm file, or the text of one.

    Parameters
    ----------
    source : str or Path
        A path, or TOML text (told apart by a line break or an equals sign).

    Returns
    -------
    Arm
        Joints in order from end A to end B; ``Arm.toml`` keeps the text.

    Raises
    ------
    ArmFileError
        Not readable, not TOML, an unknown key, a missing name, or a value that
        cannot be; the message names the joint and the key.
    """
    if isinstance(source, str) and ("\n" in source or "=" in source):
        return _Reader(None).arm(source)
    path = Path(source)
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise ArmFileError("there is no such arm file", file=path) from error
    except (OSError, UnicodeDecodeError) as error:
        raise ArmFileError(f"the arm file cannot be read: {error}", file=path) from error
    return _Reader(path).arm(text)


class _Reader:
    """Walks the parsed TOML; knows the file, so that every complaint can name it."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self.joint: str | None = None

    def arm(self, text: str) -> Arm:
        try:
            document = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise ArmFileError(
                f"not valid TOML: {error}", file=self.path, todo="correct the line named"
            ) from error
        self.known(document, {"arm", "joints"}, "")
        head = self.table(document, "arm", "")
        self.known(head, _ARM_KEYS, "arm.")
        name = head.get("name", "arm")
        if not isinstance(name, str) or not name.strip():
            raise self.wrong("arm.name", "must be a word")
        convention = head.get("convention", "fixed")
        if convention not in CONVENTIONS:
            raise self.wrong("arm.convention", f"must be one of {', '.join(CONVENTIONS)}")
        rows = document.get("joints")
        if not isinstance(rows, list) or not rows:
            raise self.wrong("joints", "an arm needs at least one [[joints]] table with a name")
        joints, after = self.joints(rows, convention)
        tip = self.place(self.table(head, "tip", "arm."), "arm.tip.")
        located = joints[0].from_previous is not None
        if not located and "tip" in head:
            raise self.wrong("arm.tip", "a tip is given but the joints have no geometry")
        limits = self.table(head, "tip_speed_limit_m_s", "arm.")
        self.known(limits, _LIMIT_KEYS, "arm.tip_speed_limit_m_s.")
        payload = self.table(head, "payload", "arm.")
        self.known(payload, _PAYLOAD_KEYS, "arm.payload.")
        gyration = self.numbers(payload, "gyration_m", 3, "arm.payload.")
        if gyration is not None and min(gyration) < 0:
            raise self.wrong("arm.payload.gyration_m", "radii cannot be negative")
        return Arm(
            name=name,
            joints=tuple(joints),
            tip_from_last=as_rows(after @ tip) if located else None,
            base_link=self.link(head.get("base_link"), "arm.base_link.") if head else None,
            gravity_m_s2=_three(self.numbers(head, "gravity_m_s2", 3, "arm.")),
            tip_speed_limit_m_s={
                key: self.positive(limits, key, "arm.tip_speed_limit_m_s.") for key in limits
            },
            payload_centre_m=_three(self.numbers(payload, "centre_m", 3, "arm.payload.")),
            payload_gyration_m=None if gyration is None else _three(gyration),
            toml=text,
        )

    def joints(self, rows: list[Any], convention: str) -> tuple[list[Joint], Array]:
        """Return the joints and what stands between the last one and the tip."""
        out: list[Joint] = []
        after = np.eye(4)
        with_geometry = [isinstance(r, dict) and "geometry" in r for r in rows]
        for number, row in enumerate(rows, start=1):
            self.joint = f"number {number}"
            if not isinstance(row, dict):
                raise self.wrong("joints", "each joint must be a table")
            name = row.get("name")
            if not isinstance(name, str) or not name.strip():
                raise self.wrong("name", "a joint needs a name")
            self.joint = name
            if any(j.name == name for j in out):
                raise self.wrong("name", "two joints have this name")
            joint = self.one_joint(row, name)
            if joint.serial is not None and any(j.serial == joint.serial for j in out):
                raise self.wrong("serial", f"serial {joint.serial!r} sits at two places")
            if any(with_geometry) and not with_geometry[number - 1]:
                raise self.wrong("geometry", "other joints have it: give it for all or for none")
            if with_geometry[number - 1]:
                before, axis, next_after = self.geometry(row, convention)
                link = joint.link
                if link is not None and convention == "dh":
                    link = moved_link(link, next_after)
                joint = replace(
                    joint,
                    axis=(float(axis[0]), float(axis[1]), float(axis[2])),
                    from_previous=as_rows(after @ before),
                    link=link,
                )
                after = next_after
            out.append(joint)
        self.joint = None
        return out, after

    def one_joint(self, row: Mapping[str, Any], name: str) -> Joint:
        self.known(row, _JOINT_KEYS, "")
        for key in _WORDS:
            if key in row and (not isinstance(row[key], str) or not row[key].strip()):
                raise self.wrong(key, "must be a word")
        limits = self.numbers(row, "angle_range_deg", 2, "")
        if limits is not None and not limits[0] < limits[1]:
            raise self.wrong("angle_range_deg", "the first value must be below the second")
        shares: dict[str, float] = {}
        for key in _SHARES:
            if key in row:
                shares[key] = self.positive(row, key, "")
                if shares[key] > 1:
                    raise self.wrong(key, "an efficiency lies between 0 and 1")
        sizes = {key: self.positive(row, key, "") for key in _POSITIVE if key in row}
        inertia = None
        if "motor_inertia_kg_m2" in row:
            inertia = self.number(row, "motor_inertia_kg_m2", "")
        if inertia is not None and inertia < 0:
            raise self.wrong("motor_inertia_kg_m2", "cannot be negative")
        orders = row.get("ripple_orders", [])
        if not isinstance(orders, list) or not all(_is_number(o) and o > 0 for o in orders):
            raise self.wrong("ripple_orders", "must be a list of positive numbers")
        return Joint(
            name=name,
            serial=row.get("serial"),
            role_base_a=row.get("role_base_a"),
            role_base_b=row.get("role_base_b"),
            angle_range_deg=None if limits is None else (limits[0], limits[1]),
            motor_inertia_kg_m2=inertia,
            ripple_orders=tuple(float(o) for o in orders),
            link=self.link(row.get("link"), "link."),
            efficiency_drive=shares.get("efficiency_drive"),
            efficiency_backdrive=shares.get("efficiency_backdrive"),
            rate_limit_deg_s=sizes.get("rate_limit_deg_s"),
            gear_ratio=sizes.get("gear_ratio"),
            torque_constant_nm_a=sizes.get("torque_constant_nm_a"),
            current_limit_a=sizes.get("current_limit_a"),
            brake_torque_nm=sizes.get("brake_torque_nm"),
        )

    def geometry(self, row: Mapping[str, Any], convention: str) -> tuple[Array, Array, Array]:
        """Return (frame before the turn, axis, what follows the turn in this row)."""
        table = self.table(row, "geometry", "")
        self.known(table, _GEOMETRY_KEYS[convention], "geometry.", f"convention {convention!r}")
        if convention == "fixed":
            axis = np.array(self.numbers(table, "axis", 3, "geometry.") or (0.0, 0.0, 1.0))
            length = float(np.linalg.norm(axis))
            if length < 1e-9:
                raise self.wrong("geometry.axis", "an axis cannot be zero")
            return self.place(table, "geometry.", extra={"axis"}), axis / length, np.eye(4)
        values = {
            key: self.number(table, key, "geometry.") if key in table else 0.0
            for key in _GEOMETRY_KEYS["dh"]
        }
        z = np.array([0.0, 0.0, 1.0])
        offset = turn(z, math.radians(values["theta_offset_deg"]))
        along_z = shift([0, 0, values["d_m"]])
        across = shift([values["a_m"], 0, 0]) @ turn([1, 0, 0], math.radians(values["alpha_deg"]))
        if convention == "dh":
            return offset, z, along_z @ across
        return across @ along_z @ offset, z, np.eye(4)

    def place(self, table: Mapping[str, Any], where: str, extra: set[str] | None = None) -> Array:
        self.known(table, _TIP_KEYS | (extra or set()), where)
        xyz = self.numbers(table, "xyz_m", 3, where) or (0.0, 0.0, 0.0)
        return from_xyz_rpy(xyz, self.numbers(table, "rpy_deg", 3, where) or (0.0, 0.0, 0.0))

    def link(self, table: object, where: str) -> Link | None:
        if table is None:
            return None
        if not isinstance(table, dict):
            raise self.wrong(where.rstrip("."), "must be a table")
        self.known(table, _LINK_KEYS, where)
        if "mass_kg" not in table:
            raise self.wrong(f"{where}mass_kg", "a link needs a mass")
        mass = self.number(table, "mass_kg", where)
        if mass < 0:
            raise self.wrong(f"{where}mass_kg", "cannot be negative")
        six = self.numbers(table, "inertia_kg_m2", 6, where)
        if six is not None:
            principal = np.linalg.eigvalsh(inertia_matrix(six))
            if principal[0] < -1e-9 * max(1.0, principal[2]):
                raise self.wrong(f"{where}inertia_kg_m2", "no body has a negative principal moment")
            if principal[0] + principal[1] < principal[2] * (1 - 1e-6):
                raise self.wrong(
                    f"{where}inertia_kg_m2",
                    "no body's largest principal moment exceeds the sum of the others",
                )
        return Link(
            mass_kg=mass,
            centre_m=_three(self.numbers(table, "centre_m", 3, where)),
            inertia_kg_m2=None if six is None else six_of(inertia_matrix(six)),
        )

    # values -------------------------------------------------------------------
    def table(self, parent: Mapping[str, Any], key: str, where: str) -> dict[str, Any]:
        value = parent.get(key, {})
        if not isinstance(value, dict):
            raise self.wrong(f"{where}{key}", "must be a table")
        return value

    def number(self, table: Mapping[str, Any], key: str, where: str) -> float:
        value = table[key]
        if not _is_number(value):
            raise self.wrong(f"{where}{key}", f"must be a finite number, not {value!r}")
        return float(value)

    def positive(self, table: Mapping[str, Any], key: str, where: str) -> float:
        value = self.number(table, key, where)
        if value <= 0:
            raise self.wrong(f"{where}{key}", f"must be above zero, not {value:g}")
        return value

    def numbers(
        self, table: Mapping[str, Any], key: str, count: int, where: str
    ) -> tuple[float, ...] | None:
        if key not in table:
            return None
        values = table[key]
        if (
            not isinstance(values, list)
            or len(values) != count
            or not all(_is_number(v) for v in values)
        ):
            raise self.wrong(f"{where}{key}", f"must be a list of {count} finite numbers")
        return tuple(float(v) for v in values)

    def known(self, table: Mapping[str, Any], keys: set[str], where: str, note: str = "") -> None:
        for key in table:
            if key not in keys:
                near = get_close_matches(key, sorted(keys), n=1)
                raise self.wrong(
                    f"{where}{key}",
                    "unknown key" + (f" with {note}" if note else ""),
                    f"did you mean {where}{near[0]}?"
                    if near
                    else f"known here: {', '.join(sorted(keys))}",
                )

    def wrong(self, key: str, what: str, todo: str | None = None) -> ArmFileError:
        return ArmFileError(f"{key}: {what}", file=self.path, joint=self.joint, todo=todo)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _three(values: tuple[float, ...] | None) -> tuple[float, float, float]:
    return (0.0, 0.0, 0.0) if values is None else (values[0], values[1], values[2])


def moved_link(link: Link, to_from: Array) -> Link:
    """Return the same body described in another frame, ``to_from`` taking points there."""
    turn3 = to_from[:3, :3]
    centre = turn3 @ np.array(link.centre_m) + to_from[:3, 3]
    inertia = link.inertia_kg_m2
    return Link(
        mass_kg=link.mass_kg,
        centre_m=(float(centre[0]), float(centre[1]), float(centre[2])),
        inertia_kg_m2=None
        if inertia is None
        else six_of(turn3 @ inertia_matrix(inertia) @ turn3.T),
    )


__all__ = ["CONVENTIONS", "load_arm", "moved_link"]
