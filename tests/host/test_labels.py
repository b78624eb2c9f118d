"""Labels and tooltips of everything that the editor gets, held against the rules: Title Case, sentences, the field's own words."""

from __future__ import annotations

import re

import bpy
import pytest

from ringwright.addon import editor
from support.interface_words import own_properties, registered_words, rna_of, written_words

pytestmark = pytest.mark.usefixtures("extension")

SMALL = {"a", "an", "and", "as", "at", "by", "from", "in", "into", "of", "on", "or", "the", "to", "with"}
OTHER_WORDS = {"segment": "span", "retopology": "cage", "retopo": "cage", "reference": "target", "lowpoly": "cage", "guide": "limb",
               "shrinkwrap": "settle", "smooth": "relax", "redirect": "step-down", "stitch": "splice", "manifold": "", "vert": "vertex",
               "tri": "triangle", "ngon": "n-gon"}
"""Words for which the glossary has another one."""


def is_title_case(label: str) -> bool:
    words = re.findall(r"[^\W\d_][\w'-]*", label)
    return bool(words) and words[0][0].isupper() and all(word[0].isupper() or word in SMALL for word in words)


def is_sentence(description: str) -> bool:
    return len(description) > 15 and description[0].isupper() and not description.endswith((".", " "))


SHOWN = [each for each in editor.CLASSES if issubclass(each, bpy.types.Operator | bpy.types.Panel | bpy.types.Menu)]


@pytest.mark.parametrize("each", SHOWN, ids=lambda each: each.__name__)
def test_a_button_or_panel_is_labelled_in_title_case(each: type) -> None:
    assert is_title_case(each.bl_label), each.bl_label  # type: ignore[attr-defined]
    if issubclass(each, bpy.types.Operator):
        assert is_sentence(rna_of(each).description), rna_of(each).description


@pytest.mark.parametrize("each", editor.CLASSES, ids=lambda each: each.__name__)
def test_every_property_that_is_shown_says_what_it_is(each: type) -> None:
    for own in own_properties(each):
        assert is_title_case(own.name), own.name
        if own.type != "COLLECTION" or own.description:
            assert is_sentence(own.description), f"{own.identifier}: {own.description!r}"
        if own.type in {"INT", "FLOAT"}:
            assert own.soft_max >= own.soft_min and own.description, own.identifier
        for item in own.enum_items if own.type == "ENUM" else ():
            assert is_title_case(item.name), item.name


def test_the_fields_own_words_are_used_alike() -> None:
    shown = {**written_words(), **registered_words(editor.CLASSES)}
    for words, place in shown.items():
        found = {word for word in re.findall(r"[a-z]+", words.lower()) if word in OTHER_WORDS}
        assert not found, f"{place}: {words!r}; the word is {[OTHER_WORDS[word] for word in found]}"


def test_no_two_operators_share_a_label() -> None:
    labels = [each.bl_label for each in SHOWN if issubclass(each, bpy.types.Operator)]
    assert len(labels) == len(set(labels))
