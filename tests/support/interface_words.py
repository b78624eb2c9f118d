"""All words that the interface shows: from the registered classes, and from the code that puts words together."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bpy

ADDON = Path(__file__).resolve().parents[2] / "addon"
CALLS = {"phrase": 0, "told": 0, "wrapped": 1, "refuse": 1}
"""Functions that show words, and which of their arguments those are."""
UNSEEN = {"filter_glob", "check_existing"}
"""Properties that the host's file browser asks for."""


def registered_words(classes: tuple[Any, ...]) -> dict[str, str]:
    """Labels, tooltips, names and items of classes that are registered; what says each."""
    found: dict[str, str] = {}
    for each in classes:
        if issubclass(each, bpy.types.Operator):
            found[rna_of(each).name] = found[rna_of(each).description] = each.__name__
        elif issubclass(each, bpy.types.Panel | bpy.types.Menu):
            found[each.bl_label] = each.__name__
        for own in own_properties(each):
            place = f"{each.__name__}.{own.identifier}"
            found[own.name] = found[own.description] = place
            for item in own.enum_items if own.type == "ENUM" else ():
                found[item.name] = found[item.description] = place
    return {words: place for words, place in found.items() if words}


def rna_of(each: Any) -> Any:
    """What the host knows of a class."""
    if not issubclass(each, bpy.types.Operator):
        return each.bl_rna
    family, _, name = each.bl_idname.partition(".")
    return getattr(getattr(bpy.ops, family), name).get_rna_type()


def own_properties(each: Any) -> list[Any]:
    """Properties that a class or a mixin of it declares and the interface shows by their names."""
    declared = {name for base in each.__mro__ for name in getattr(base, "__annotations__", {})} - UNSEEN
    return [own for own in rna_of(each).properties if own.identifier in declared and not own.is_hidden and own.name != own.identifier]


def written_words() -> dict[str, str]:
    """Literal words in the add-on's code that are shown: arguments named ``text``, and those of the functions that show words."""
    from ringwright.addon.operators.draw_limb import STATUS
    from ringwright.addon.operators.mending import MENDS
    from ringwright.addon.operators.ready_plans import STATUS as READY_STATUS
    from ringwright.core.plan_templates import TEMPLATES

    found = {words: "draw_limb.STATUS" for _, words in STATUS} | {words: "mending.MENDS" for words, _ in MENDS.values()}
    found |= {words: "ready_plans.STATUS" for _, words in READY_STATUS}
    found |= {place.words: "plan_templates" for template in TEMPLATES for place in template.places}
    for path in sorted(ADDON.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        place = path.relative_to(ADDON).as_posix()
        constants = _constants(tree)
        for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
            for shown in _shown(call):
                for words in _literals(shown, constants):
                    found[words] = f"{place}:{call.lineno}"
    return {words: place for words, place in found.items() if any(letter.isalpha() for letter in words)}


def plain_reports() -> list[str]:
    """Places where an operator reports words that are put together in English, past the tables."""
    found = []
    for path in sorted((ADDON / "operators").glob("*.py")):
        calls = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Call)]
        reports = [call for call in calls if isinstance(call.func, ast.Attribute) and call.func.attr == "report"]
        found += [f"{path.name}:{call.lineno}" for call in reports if any(map(_is_plain, call.args[1:]))]
    return found


def _is_plain(node: ast.expr) -> bool:
    """Whether an expression is English words of its own making, and not what a function gives."""
    if isinstance(node, ast.IfExp):
        return _is_plain(node.body) or _is_plain(node.orelse)
    if isinstance(node, ast.BinOp):
        return _is_plain(node.left) or _is_plain(node.right)
    if isinstance(node, ast.JoinedStr):
        return any(isinstance(part, ast.Constant) and any(map(str.isalpha, str(part.value))) for part in node.values)
    return isinstance(node, ast.Constant)


def _shown(call: ast.Call) -> Iterator[ast.expr]:
    name = call.func.id if isinstance(call.func, ast.Name) else call.func.attr if isinstance(call.func, ast.Attribute) else ""
    if name in CALLS and len(call.args) > CALLS[name]:
        yield call.args[CALLS[name]]
    yield from (keyword.value for keyword in call.keywords if keyword.arg == "text" and name not in {"search"})


def _literals(node: ast.expr, constants: dict[str, str]) -> Iterator[str]:
    """Literal words that an expression may be."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.Name) and node.id in constants:
        yield constants[node.id]
    elif isinstance(node, ast.IfExp):
        yield from _literals(node.body, constants)
        yield from _literals(node.orelse, constants)
    elif isinstance(node, ast.BoolOp):
        for value in node.values:
            yield from _literals(value, constants)


def _constants(tree: ast.Module) -> dict[str, str]:
    """Words that a module keeps under a name."""
    return {target.id: node.value.value for node in tree.body if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant)
            and isinstance(node.value.value, str) for target in node.targets if isinstance(target, ast.Name)}
