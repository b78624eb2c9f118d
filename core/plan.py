"""The limb plan: what the artist asks for, read from TOML and checked at the door.

A limb's joints run from its root end to its tip end. A fork's branches leave the trunk's tip end;
a splice joins the upper limb's root end to the lower limb's tip end; a socket's branch leaves the
trunk's side. Ends that no join uses stay open, or closed where ``tip = "closed"``.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from .errors import PlanError
from .polymesh import FloatArray

SIDES_RANGE = (4, 64)
SPANS_RANGE = (1, 512)
JOINT_LOOPS_RANGE = (0, 9)
WEB_RANGE = (1, 31)
ROWS_RANGE = (1, 64)
QUADS_RANGE = (12, 1_000_000)
MOST_JOINTS = 1000
MOST_SHOWN = 80
"""Characters of a wrong value that a message repeats."""
UNITS = ("m", "cm", "mm")
METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001}
PLANES = ("x", "y", "z")
TIPS = ("open", "closed")
DEFAULT_JOINT_LOOPS = 3


@dataclass(frozen=True)
class Limb:
    """A chain of joint points inside the target.

    joints : (k, 3) float64, k at least 2, from the root to the tip, target coordinates
    sides : even edge count of its rings, or None to have it chosen
    spans : rows of quads of every bone (k - 1 numbers), or None to have them chosen
    joint_loops : rings gathered round each inner joint; 0 spaces the rings evenly
    tip : "open" or "closed"
    up : (3,) float64, where the seam column looks, or None to have it chosen
    radius : how far from its centre line its skin lies at most, target units, or None where nothing else comes near
    """

    name: str
    joints: FloatArray
    sides: int | None = None
    spans: tuple[int, ...] | None = None
    joint_loops: int = DEFAULT_JOINT_LOOPS
    tip: str = "open"
    up: FloatArray | None = None
    radius: float | None = None

    @property
    def loops_beside(self) -> int:
        """Rings gathered on each side of a joint's own."""
        return self.joint_loops // 2


@dataclass(frozen=True)
class Fork:
    """Side-by-side branches that run into one trunk's tip end.

    branches : names in order across
    webs : quads of the web in every gap (one fewer than branches), or None to have them chosen
    """

    trunk: str
    branches: tuple[str, ...]
    webs: tuple[int, ...] | None = None


@dataclass(frozen=True)
class Socket:
    """A branch that leaves the side of a trunk."""

    trunk: str
    branch: str


@dataclass(frozen=True)
class Splice:
    """The upper limb's root end joined to the lower limb's tip end; rows is None to have them chosen."""

    upper: str
    lower: str
    rows: int | None = None


@dataclass(frozen=True)
class LimbPlan:
    """All limbs with their joins.

    symmetry : "x", "y", "z" or None; the plane through the origin square to that axis
    quad_budget : most quads of the whole cage, or None
    """

    limbs: tuple[Limb, ...]
    forks: tuple[Fork, ...] = ()
    sockets: tuple[Socket, ...] = ()
    splices: tuple[Splice, ...] = ()
    unit: str = "m"
    symmetry: str | None = None
    quad_budget: int | None = None

    def limb(self, name: str) -> Limb:
        """The limb of that name; KeyError where there is none."""
        for limb in self.limbs:
            if limb.name == name:
                return limb
        raise KeyError(name)

    def root_join(self, name: str) -> Fork | Socket | Splice | None:
        """The join that a limb's root end belongs to."""
        for fork in self.forks:
            if name in fork.branches:
                return fork
        for socket in self.sockets:
            if socket.branch == name:
                return socket
        return next((splice for splice in self.splices if splice.upper == name), None)

    def is_branch(self, name: str) -> bool:
        """Whether a limb leaves a trunk, by a fork or a socket."""
        return isinstance(self.root_join(name), Fork | Socket)

    def tip_join(self, name: str) -> Fork | Splice | None:
        """The join that a limb's tip end belongs to."""
        for fork in self.forks:
            if fork.trunk == name:
                return fork
        return next((splice for splice in self.splices if splice.lower == name), None)

    def sockets_of(self, name: str) -> tuple[Socket, ...]:
        """The sockets in a limb's side."""
        return tuple(socket for socket in self.sockets if socket.trunk == name)


def read_plan(text: str) -> LimbPlan:
    """Read and check a limb plan.

    text : the TOML file's text
    Raises PlanError with one sentence that names the table, the limb and the key.
    """
    try:
        data = tomllib.loads(text)
    except RecursionError as error:
        raise PlanError("The limb plan is not valid TOML: brackets are nested too deep; correct that place.") from error
    except ValueError as error:  # TOMLDecodeError, or a number of more digits than Python reads
        raise PlanError(f"The limb plan is not valid TOML: {_shown_text(str(error))}; correct that place.") from error
    _check_keys("The limb plan", data, {"schema", "unit", "limb", "fork", "socket", "splice", "symmetry", "budget"})
    if type(data.get("schema")) is not int or data["schema"] != 1:
        raise PlanError(f"The limb plan: schema is {_shown(data.get('schema'))}; it must be 1.")
    plan = LimbPlan(
        limbs=tuple(_read_limb(table, place) for table, place in _tables(data, "limb")),
        forks=tuple(_read_fork(table, place) for table, place in _tables(data, "fork")),
        sockets=tuple(_read_socket(table, place) for table, place in _tables(data, "socket")),
        splices=tuple(_read_splice(table, place) for table, place in _tables(data, "splice")),
        unit=_choice("The limb plan", "unit", data.get("unit", "m"), UNITS),
        symmetry=_read_symmetry(data.get("symmetry")),
        quad_budget=_read_budget(data.get("budget")),
    )
    check_plan(plan)
    return plan


def check_plan(plan: LimbPlan) -> None:
    """Check the joins of a plan, however it was made.

    Raises PlanError with one sentence on the first fault.
    """
    if not plan.limbs:
        raise PlanError("The limb plan has no [[limb]]; add at least one with a name and joints.")
    _check_names(plan)
    _check_ends(plan)
    _check_loops(plan)
    for fork in plan.forks:
        _check_webs(plan, fork)


def _check_names(plan: LimbPlan) -> None:
    names = [limb.name for limb in plan.limbs]
    for name in names:
        if names.count(name) > 1:
            raise PlanError(f'[[limb]] "{name}": the name is used {names.count(name)} times; give every limb its own name.')
    used = [("fork", "trunk", fork.trunk) for fork in plan.forks]
    used += [("fork", "branches", branch) for fork in plan.forks for branch in fork.branches]
    used += [("socket", key, value) for socket in plan.sockets for key, value in (("trunk", socket.trunk), ("branch", socket.branch))]
    used += [("splice", key, value) for splice in plan.splices for key, value in (("upper", splice.upper), ("lower", splice.lower))]
    for table, key, name in used:
        if name not in names:
            raise PlanError(f'[[{table}]] {key}: there is no limb "{name}"; the limbs are {_listed(names)}.')


def _check_ends(plan: LimbPlan) -> None:
    roots: dict[str, str] = {}
    tips: dict[str, str] = {}
    for fork in plan.forks:
        _take_end(tips, fork.trunk, "tip", f"[[fork]] trunk {fork.trunk!r}")
        for branch in fork.branches:
            _take_end(roots, branch, "root", f"[[fork]] branches of {fork.trunk!r}")
    for socket in plan.sockets:
        _take_end(roots, socket.branch, "root", f"[[socket]] branch {socket.branch!r}")
    for splice in plan.splices:
        _take_end(roots, splice.upper, "root", f"[[splice]] upper {splice.upper!r}")
        _take_end(tips, splice.lower, "tip", f"[[splice]] lower {splice.lower!r}")
    for name, place in tips.items():
        if plan.limb(name).tip == "closed":
            raise PlanError(f'[[limb]] "{name}": tip is "closed", but {place} joins that end; set tip = "open" or take the join out.')


def _take_end(taken: dict[str, str], name: str, end: str, place: str) -> None:
    if name in taken:
        raise PlanError(f'{place}: the {end} end of limb "{name}" is used twice (also by {taken[name]}); an end can join only once.')
    taken[name] = place


def _check_loops(plan: LimbPlan) -> None:
    parent: dict[str, str] = {branch: fork.trunk for fork in plan.forks for branch in fork.branches}
    place = {branch: f"[[fork]] branches of {fork.trunk!r}" for fork in plan.forks for branch in fork.branches}
    parent |= {socket.branch: socket.trunk for socket in plan.sockets}
    place |= {socket.branch: f"[[socket]] branch {socket.branch!r}" for socket in plan.sockets}
    parent |= {splice.upper: splice.lower for splice in plan.splices}
    place |= {splice.upper: f"[[splice]] upper {splice.upper!r}" for splice in plan.splices}
    for start in parent:
        seen = [start]
        while seen[-1] in parent:
            seen.append(parent[seen[-1]])
            if seen[-1] == start:
                raise PlanError(f"{place[start]}: the joins run in a loop, {' -> '.join(seen)}; take one of these joins out.")
            if len(seen) > len(parent) + 1:
                break


def _check_webs(plan: LimbPlan, fork: Fork) -> None:
    if fork.webs is None:
        return
    for index, branch in enumerate(fork.branches):
        sides = plan.limb(branch).sides
        given = (fork.webs[index - 1] if index else 0) + (fork.webs[index] if index < len(fork.webs) else 0)
        if sides is not None and given + 2 > sides:
            least = given + 2 + (given % 2)
            raise PlanError(f'[[fork]] trunk "{fork.trunk}", web: branch "{branch}" has {sides} sides but its webs take {given} of them '
                            f"and two must stay free; give it {least} sides or narrow its webs to {max(sides - 2, 0)} in all.")


def _tables(data: Mapping[str, Any], name: str) -> list[tuple[Mapping[str, Any], str]]:
    tables = data.get(name, [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise PlanError(f"[[{name}]]: must be a list of tables, each opened by [[{name}]] with double brackets.")
    return [(table, f"[[{name}]] number {index + 1}") for index, table in enumerate(tables)]


def _read_limb(table: Mapping[str, Any], place: str) -> Limb:
    name = _text(place, "name", table.get("name"))
    place = f'[[limb]] "{name}"'
    _check_keys(place, table, {"name", "joints", "sides", "spans", "joint_loops", "tip", "up", "radius"})
    joints = _joints(place, table.get("joints"))
    sides = table.get("sides")
    up = table.get("up")
    return Limb(
        name=name, joints=joints,
        sides=None if sides is None else _sides(place, sides),
        spans=_spans(place, table.get("spans"), len(joints) - 1),
        joint_loops=_whole(place, "joint_loops", table.get("joint_loops", DEFAULT_JOINT_LOOPS), JOINT_LOOPS_RANGE),
        tip=_choice(place, "tip", table.get("tip", "open"), TIPS),
        up=None if up is None else _direction(place, "up", up),
        radius=_length(place, "radius", table.get("radius")),
    )


def _read_fork(table: Mapping[str, Any], place: str) -> Fork:
    trunk = _text(place, "trunk", table.get("trunk"))
    place = f'[[fork]] trunk "{trunk}"'
    _check_keys(place, table, {"trunk", "branches", "web"})
    branches = table.get("branches")
    if not isinstance(branches, list) or len(branches) < 2 or not all(isinstance(name, str) for name in branches):
        raise PlanError(f"{place}: branches is {_shown(branches)}; it must list at least two limb names in order across.")
    for name in branches:
        if branches.count(name) > 1:
            raise PlanError(f'{place}: branches lists "{name}" {branches.count(name)} times; name every branch once.')
    return Fork(trunk, tuple(branches), _number_each(place, "web", table.get("web"), len(branches) - 1, "gap", WEB_RANGE))


def _read_socket(table: Mapping[str, Any], place: str) -> Socket:
    _check_keys(place, table, {"trunk", "branch"})
    return Socket(_text(place, "trunk", table.get("trunk")), _text(place, "branch", table.get("branch")))


def _read_splice(table: Mapping[str, Any], place: str) -> Splice:
    _check_keys(place, table, {"upper", "lower", "rows"})
    upper, lower = _text(place, "upper", table.get("upper")), _text(place, "lower", table.get("lower"))
    rows = table.get("rows")
    return Splice(upper, lower, None if rows is None else _whole(f'[[splice]] upper "{upper}"', "rows", rows, ROWS_RANGE))


def _read_symmetry(table: Any) -> str | None:
    if table is None:
        return None
    if not isinstance(table, dict):
        raise PlanError("[symmetry]: must be a table with the key plane.")
    _check_keys("[symmetry]", table, {"plane"})
    return _choice("[symmetry]", "plane", table.get("plane"), PLANES)


def _read_budget(table: Any) -> int | None:
    if table is None:
        return None
    if not isinstance(table, dict):
        raise PlanError("[budget]: must be a table with the key quads.")
    _check_keys("[budget]", table, {"quads"})
    return _whole("[budget]", "quads", table.get("quads"), QUADS_RANGE)


def _check_keys(place: str, table: Mapping[str, Any], allowed: set[str]) -> None:
    unknown = sorted(set(table) - allowed)
    if unknown:
        raise PlanError(f"{place}: unknown key {_shown(unknown[0])}; the keys are {', '.join(sorted(allowed))}.")


def _text(place: str, key: str, value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise PlanError(f"{place}: {key} is {_shown(value)}; it must be a name in quotation marks, on one line.")
    return value


def _choice(place: str, key: str, value: Any, allowed: Sequence[str]) -> str:
    if value not in allowed:
        raise PlanError(f"{place}: {key} is {_shown(value)}; it must be one of {_listed(allowed)}.")
    return str(value)


def _whole(place: str, key: str, value: Any, limits: tuple[int, int]) -> int:
    if type(value) is not int or not limits[0] <= value <= limits[1]:
        raise PlanError(f"{place}: {key} is {_shown(value)}; it must be a whole number from {limits[0]} to {limits[1]}.")
    return value


def _sides(place: str, value: Any) -> int:
    sides = _whole(place, "sides", value, SIDES_RANGE)
    if sides % 2:
        lower, higher = max(sides - 1, SIDES_RANGE[0]), sides + 1
        raise PlanError(f"{place}: sides is {sides}, an odd count that no all-quad mesh can close or join evenly; "
                        f"the nearest that can are {lower} and {higher}.")
    return sides


def _number_each(place: str, key: str, value: Any, count: int, per: str, limits: tuple[int, int]) -> tuple[int, ...] | None:
    if value is None:
        return None
    if isinstance(value, list):
        if len(value) != count:
            raise PlanError(f"{place}: {key} lists {len(value)} numbers; it must be one number or one per {per}, here {count}.")
        return tuple(_whole(place, key, each, limits) for each in value)
    return (_whole(place, key, value, limits),) * count


def _spans(place: str, value: Any, bones: int) -> tuple[int, ...] | None:
    return _number_each(place, "spans", value, bones, "bone", SPANS_RANGE)


def _vector(place: str, key: str, value: Any) -> list[float]:
    numbers = isinstance(value, list) and len(value) == 3 and all(type(each) in (int, float) for each in value)
    if not numbers or not all(abs(each) < 1e30 for each in value):  # false for NaN, too
        raise PlanError(f"{place}: {key} holds {_shown(value)}; a point must be three finite numbers [x, y, z].")
    return [float(each) for each in value]


def _direction(place: str, key: str, value: Any) -> FloatArray:
    vector = np.array(_vector(place, key, value))
    if not np.linalg.norm(vector) > 0:
        raise PlanError(f"{place}: {key} is {_shown(value)}; a direction must have a length.")
    return vector / np.linalg.norm(vector)


def _length(place: str, key: str, value: Any) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < math.inf:
        raise PlanError(f"{place}: {key} is {_shown(value)}; it must be a number above 0, in the plan's unit.")
    return float(value)


def _joints(place: str, value: Any) -> FloatArray:
    if not isinstance(value, list) or not 2 <= len(value) <= MOST_JOINTS:
        count = len(value) if isinstance(value, list) else _shown(value)
        raise PlanError(f"{place}: joints holds {count} points; it must list from 2 to {MOST_JOINTS} points [x, y, z] "
                        f"from the root to the tip.")
    joints = np.array([_vector(place, "joints", point) for point in value])
    lengths = np.linalg.norm(np.diff(joints, axis=0), axis=1)
    short = np.flatnonzero(lengths <= 1e-9 * max(float(lengths.sum()), float(np.abs(joints).max()) * 1e-3))
    if len(short):
        raise PlanError(f"{place}: joints {short[0] + 1} and {short[0] + 2} lie on the same point {_shown(value[short[0]])}; "
                        f"move them apart or take one out.")
    return joints


def _shown(value: Any) -> str:
    """A value as a message tells it: one short line."""
    try:
        return _shown_text(repr(value))
    except ValueError:
        return "a number of thousands of digits"


def _shown_text(text: str) -> str:
    return text if len(text) <= MOST_SHOWN else text[:MOST_SHOWN] + " ..."


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def format_plan(plan: LimbPlan) -> str:
    """The plan as TOML text that ``read_plan`` reads back to an equal plan."""
    lines = ["schema = 1", f'unit = "{plan.unit}"']
    for limb in plan.limbs:
        lines += ["", "[[limb]]", f"name = {_quoted(limb.name)}", f"joints = {_numbers(limb.joints)}"]
        lines += [] if limb.sides is None else [f"sides = {limb.sides}"]
        lines += [] if limb.spans is None else [f"spans = {list(limb.spans)}"]
        lines += [f"joint_loops = {limb.joint_loops}", f'tip = "{limb.tip}"']
        lines += [] if limb.up is None else [f"up = {_numbers(limb.up)}"]
        lines += [] if limb.radius is None else [f"radius = {float(limb.radius)!r}"]
    for fork in plan.forks:
        lines += ["", "[[fork]]", f"trunk = {_quoted(fork.trunk)}", f"branches = [{', '.join(map(_quoted, fork.branches))}]"]
        lines += [] if fork.webs is None else [f"web = {list(fork.webs)}"]
    for socket in plan.sockets:
        lines += ["", "[[socket]]", f"trunk = {_quoted(socket.trunk)}", f"branch = {_quoted(socket.branch)}"]
    for splice in plan.splices:
        lines += ["", "[[splice]]", f"upper = {_quoted(splice.upper)}", f"lower = {_quoted(splice.lower)}"]
        lines += [] if splice.rows is None else [f"rows = {splice.rows}"]
    lines += [] if plan.symmetry is None else ["", "[symmetry]", f'plane = "{plan.symmetry}"']
    lines += [] if plan.quad_budget is None else ["", "[budget]", f"quads = {plan.quad_budget}"]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(f"\\u{ord(char):04x}" if ord(char) < 32 or ord(char) == 127 else char for char in escaped) + '"'


def _numbers(values: FloatArray) -> str:
    return repr(np.asarray(values, dtype=float).tolist())
