"""Limb plans: every fault is told in one sentence with its place, and what is written reads back alike."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringwright.core.errors import PlanError
from ringwright.core.plan import DEFAULT_JOINT_LOOPS, Fork, Limb, LimbPlan, Socket, Splice, check_plan, format_plan, read_plan

EXAMPLE = """
schema = 1
unit = "cm"

[[limb]]
name = "index"
joints = [[0.02, 0.01, 0.95], [0.03, 0.01, 0.91], [0.03, 0.01, 0.88]]
sides = 6
spans = 2
tip = "closed"
up = [0, 0, 2]

[[limb]]
name = "middle"
joints = [[0, 0, 1], [0, 0, 2]]

[[limb]]
name = "palm"
joints = [[0, 0, 0], [0, 0, 1]]
spans = [4]
joint_loops = 0

[[limb]]
name = "thumb"
joints = [[1, 0, 0], [2, 0, 0]]

[[limb]]
name = "forearm"
joints = [[0, 0, -2], [0, 0, 0]]

[[fork]]
trunk = "palm"
branches = ["middle", "index"]
web = 2

[[socket]]
trunk = "palm"
branch = "thumb"

[[splice]]
upper = "palm"
lower = "forearm"
rows = 3

[symmetry]
plane = "x"
[budget]
quads = 1200
"""


def limb_text(name: str = "a", joints: str = "[[0, 0, 0], [0, 0, 1]]", more: str = "") -> str:
    return f'[[limb]]\nname = "{name}"\njoints = {joints}\n{more}\n'


def plan_text(*parts: str, head: str = "schema = 1") -> str:
    return "\n".join([head, *parts])


def three(*parts: str, more: str = "") -> str:
    """A plan of the limbs a, b, c and some joins."""
    return plan_text(*(limb_text(name, more=more) for name in "abc"), *parts)


FORK = '[[fork]]\ntrunk = "a"\nbranches = ["b", "c"]\n'


def test_an_example_reads_as_written() -> None:
    plan = read_plan(EXAMPLE)
    index = plan.limb("index")
    assert (plan.unit, plan.symmetry, plan.quad_budget) == ("cm", "x", 1200)
    assert (index.sides, index.spans, index.joint_loops, index.tip) == (6, (2, 2), DEFAULT_JOINT_LOOPS, "closed")
    assert index.joints.shape == (3, 3) and index.joints.dtype == np.float64
    np.testing.assert_array_equal(index.up, [0, 0, 1])
    assert plan.limb("palm").spans == (4,) and plan.limb("palm").joint_loops == 0
    assert plan.forks == (Fork("palm", ("middle", "index"), (2,)),)
    assert plan.root_join("index") == plan.tip_join("palm") == plan.forks[0]
    assert plan.root_join("thumb") == plan.sockets_of("palm")[0] == Socket("palm", "thumb")
    assert plan.root_join("palm") == plan.tip_join("forearm") == Splice("palm", "forearm", 3)
    assert plan.root_join("forearm") is None and plan.tip_join("thumb") is None
    with pytest.raises(KeyError):
        plan.limb("toe")


WRONG = {
    # the file
    "empty": ("", "The limb plan: schema is None; it must be 1."),
    "broken TOML": ("schema = = 1", "not valid TOML"),
    "cut short": ("schema = 1\n[[limb]]\nname = \"a", "not valid TOML"),
    "nested too deep": ("schema = 1\nx = " + "[" * 5000, "nested too deep"),
    "endless number": (plan_text(limb_text(more="sides = " + "9" * 5000)), "not valid TOML"),
    "key twice": (plan_text(limb_text(more='name = "b"')), "not valid TOML"),
    "other schema": (plan_text(limb_text(), head="schema = 2"), "schema is 2; it must be 1"),
    "schema true": (plan_text(limb_text(), head="schema = true"), "schema is True; it must be 1"),
    "no limb": ("schema = 1", "no [[limb]]; add at least one"),
    "unknown unit": (plan_text(limb_text(), head='schema = 1\nunit = "inch"'), 'unit is \'inch\'; it must be one of "m", "cm", "mm"'),
    # unknown keys at every level
    "unknown table": (plan_text(limb_text(), "[[tail]]"), "The limb plan: unknown key 'tail'; the keys are budget, fork, limb"),
    "unknown limb key": (plan_text(limb_text(more="side = 6")), '[[limb]] "a": unknown key \'side\'; the keys are joint_loops, joints'),
    "unknown fork key": (three(FORK + "webs = 2"), '[[fork]] trunk "a": unknown key \'webs\'; the keys are branches, trunk, web'),
    "unknown socket key": (three('[[socket]]\ntrunk = "a"\nbranch = "b"\nsides = 2'), "[[socket]] number 1: unknown key 'sides'"),
    "unknown splice key": (three('[[splice]]\nupper = "a"\nlower = "b"\nrow = 2'), "[[splice]] number 1: unknown key 'row'"),
    "unknown symmetry key": (three('[symmetry]\naxis = "x"'), "[symmetry]: unknown key 'axis'; the keys are plane"),
    "unknown budget key": (three("[budget]\nfaces = 9"), "[budget]: unknown key 'faces'; the keys are quads"),
    # tables of the wrong kind
    "limb is a number": ("schema = 1\nlimb = 3", "[[limb]]: must be a list of tables"),
    "limb in single brackets": ('schema = 1\n[limb]\nname = "a"', "double brackets"),
    "fork of numbers": ("schema = 1\nfork = [1, 2]", "[[fork]]: must be a list of tables"),
    "symmetry is a text": ('schema = 1\nsymmetry = "x"\n' + limb_text(), "[symmetry]: must be a table with the key plane"),
    "budget is a number": ("schema = 1\nbudget = 100\n" + limb_text(), "[budget]: must be a table with the key quads"),
    # names
    "no name": (plan_text("[[limb]]\njoints = [[0, 0, 0], [0, 0, 1]]"), "[[limb]] number 1: name is None"),
    "blank name": (plan_text(limb_text("  ")), "name is '  '"),
    "name of two lines": (plan_text(limb_text("a\\nb")), "on one line"),
    "name is a number": (plan_text(limb_text(), "[[limb]]\nname = 3"), "[[limb]] number 2: name is 3"),
    "name twice": (plan_text(limb_text(), limb_text()), '[[limb]] "a": the name is used 2 times'),
    # joints
    "no joints": (plan_text('[[limb]]\nname = "a"'), '[[limb]] "a": joints holds None points; it must list from 2 to 1000'),
    "one joint": (plan_text(limb_text(joints="[[0, 0, 0]]")), "joints holds 1 points"),
    "too many joints": (plan_text(limb_text(joints=str([[0, 0, float(i)] for i in range(1001)]))), "joints holds 1001 points"),
    "flat point": (plan_text(limb_text(joints="[[0, 0], [0, 1]]")), '[[limb]] "a": joints holds [0, 0]; a point must be three finite'),
    "NaN": (plan_text(limb_text(joints="[[0, 0, nan], [0, 0, 1]]")), "[0, 0, nan]; a point must be three finite"),
    "infinity": (plan_text(limb_text(joints="[[0, 0, 0], [0, -inf, 1]]")), "[0, -inf, 1]"),
    "overflowing": (plan_text(limb_text(joints="[[0, 0, 0], [0, 1e300, 1]]")), "a point must be three finite numbers"),
    "point of texts": (plan_text(limb_text(joints='[["0", 0, 0], [0, 0, 1]]')), "a point must be three finite numbers"),
    "point of truths": (plan_text(limb_text(joints="[[true, 0, 0], [0, 0, 1]]")), "a point must be three finite numbers"),
    "integer past floats": (plan_text(limb_text(joints=f"[[1{'0' * 400}, 0, 0], [0, 0, 1]]")), "a point must be three finite numbers"),
    "coincident": (plan_text(limb_text(joints="[[0, 0, 0], [0, 0, 1], [0, 0, 1]]")), '[[limb]] "a": joints 2 and 3 lie on the same point'),
    "nearly coincident": (plan_text(limb_text(joints="[[5, 0, 0], [5, 0, 1e-12], [5, 0, 1]]")), "joints 1 and 2 lie on the same point"),
    # counts
    "odd sides": (plan_text(limb_text(more="sides = 7")), '[[limb]] "a": sides is 7, an odd count'),
    "two sides": (plan_text(limb_text(more="sides = 2")), "sides is 2; it must be a whole number from 4 to 64"),
    "negative sides": (plan_text(limb_text(more="sides = -6")), "sides is -6"),
    "huge sides": (plan_text(limb_text(more="sides = 1000000")), "sides is 1000000; it must be a whole number from 4 to 64"),
    "unprintable sides": (plan_text(limb_text(more="sides = 0x" + "f" * 6000)), "sides is a number of thousands of digits"),
    "fractional sides": (plan_text(limb_text(more="sides = 6.0")), "sides is 6.0; it must be a whole number"),
    "sides as text": (plan_text(limb_text(more='sides = "6"')), "sides is '6'"),
    "sides true": (plan_text(limb_text(more="sides = true")), "sides is True"),
    "no spans": (plan_text(limb_text(more="spans = 0")), "spans is 0; it must be a whole number from 1 to 512"),
    "huge spans": (plan_text(limb_text(more="spans = [100000]")), "spans is 100000"),
    "spans for two bones": (plan_text(limb_text(more="spans = [2, 2]")), "spans lists 2 numbers; it must be one number or one per bone"),
    "many joint loops": (plan_text(limb_text(more="joint_loops = 99")), "joint_loops is 99; it must be a whole number from 0 to 9"),
    "tip ajar": (plan_text(limb_text(more='tip = "ajar"')), 'tip is \'ajar\'; it must be one of "open", "closed"'),
    "tip is a list": (plan_text(limb_text(more='tip = ["open"]')), "tip is ['open']"),
    "up without length": (plan_text(limb_text(more="up = [0, 0, 0]")), "up is [0, 0, 0]; a direction must have a length"),
    "radius zero": (plan_text(limb_text(more="radius = 0")), "radius is 0; it must be a number above 0"),
    "radius endless": (plan_text(limb_text(more="radius = inf")), "radius is inf; it must be a number above 0"),
    "radius a word": (plan_text(limb_text(more='radius = "wide"')), "it must be a number above 0"),
    "up is a number": (plan_text(limb_text(more="up = 3")), "up holds 3; a point must be three finite numbers"),
    "tiny budget": (three("[budget]\nquads = 3"), "[budget]: quads is 3; it must be a whole number from 12 to 1000000"),
    "huge budget": (three("[budget]\nquads = 10000000"), "[budget]: quads is 10000000"),
    "empty budget": (three("[budget]"), "[budget]: quads is None"),
    "no such plane": (three('[symmetry]\nplane = "w"'), '[symmetry]: plane is \'w\'; it must be one of "x", "y", "z"'),
    "empty symmetry": (three("[symmetry]"), "[symmetry]: plane is None"),
    # joins
    "unknown trunk": (three('[[fork]]\ntrunk = "z"\nbranches = ["b", "c"]'), '[[fork]] trunk: there is no limb "z"; the limbs are "a"'),
    "unknown branch": (three('[[socket]]\ntrunk = "a"\nbranch = "z"'), '[[socket]] branch: there is no limb "z"'),
    "unknown upper": (three('[[splice]]\nupper = "z"\nlower = "a"'), '[[splice]] upper: there is no limb "z"'),
    "no trunk": (three('[[fork]]\nbranches = ["b", "c"]'), "[[fork]] number 1: trunk is None"),
    "one branch": (three('[[fork]]\ntrunk = "a"\nbranches = ["b"]'), '[[fork]] trunk "a": branches is [\'b\']; it must list at least two'),
    "branches is a text": (three('[[fork]]\ntrunk = "a"\nbranches = "bc"'), "branches is 'bc'"),
    "branch listed twice": (three('[[fork]]\ntrunk = "a"\nbranches = ["b", "b"]'), '[[fork]] trunk "a": branches lists "b" 2 times'),
    "branch in fork and socket": (three(FORK, '[[socket]]\ntrunk = "a"\nbranch = "b"'), 'the root end of limb "b" is used twice'),
    "branch in two sockets": (three(*['[[socket]]\ntrunk = "a"\nbranch = "b"'] * 2), 'the root end of limb "b" is used twice'),
    "trunk of two forks": (three(FORK, FORK), 'the tip end of limb "a" is used twice'),
    "trunk also spliced": (three(FORK, '[[splice]]\nupper = "c"\nlower = "a"'), "an end can join only once"),
    "fork on itself": (three('[[fork]]\ntrunk = "a"\nbranches = ["a", "b"]'), "[[fork]] branches of 'a': the joins run in a loop, a -> a"),
    "loop of splices": (three('[[splice]]\nupper = "a"\nlower = "b"', '[[splice]]\nupper = "b"\nlower = "a"'),
                        "the joins run in a loop, a -> b -> a"),
    "loop of all kinds": (three('[[socket]]\ntrunk = "c"\nbranch = "a"', '[[splice]]\nupper = "b"\nlower = "a"',
                                '[[splice]]\nupper = "c"\nlower = "b"'), "the joins run in a loop"),
    "closed trunk": (three(FORK, more='tip = "closed"'), '[[limb]] "a": tip is "closed", but [[fork]] trunk \'a\' joins that end'),
    "closed lower": (three('[[splice]]\nupper = "a"\nlower = "b"', more='tip = "closed"'), '[[limb]] "b": tip is "closed"'),
    "webs too wide": (three(FORK + "web = 5", more="sides = 6"), '[[fork]] trunk "a", web: branch "b" has 6 sides but its webs take 5'),
    "no web": (three(FORK + "web = 0"), '[[fork]] trunk "a": web is 0; it must be a whole number from 1 to 31'),
    "webs for two gaps": (three(FORK + "web = [2, 2]"), "web lists 2 numbers; it must be one number or one per gap, here 1"),
    "no rows": (three('[[splice]]\nupper = "a"\nlower = "b"\nrows = 0'),
                '[[splice]] upper "a": rows is 0; it must be a whole number from 1 to 64'),
}


@pytest.mark.parametrize(("text", "message"), WRONG.values(), ids=WRONG.keys())
def test_a_fault_is_told_in_one_sentence_with_its_place(text: str, message: str) -> None:
    with pytest.raises(PlanError) as error:
        read_plan(text)
    said = str(error.value)
    assert message in said
    assert said.endswith(".") and "\n" not in said and len(said) < 320


def test_an_odd_count_names_the_two_nearest_even_ones() -> None:
    for odd, nearest in ((5, "4 and 6"), (7, "6 and 8"), (63, "62 and 64")):
        with pytest.raises(PlanError, match=f"the nearest that can are {nearest}"):
            read_plan(plan_text(limb_text(more=f"sides = {odd}")))


def test_the_sides_that_a_wide_web_asks_for_are_enough() -> None:
    def text(web: int, sides: int) -> str:
        return three(f"{FORK}web = {web}", more=f"sides = {sides}")

    with pytest.raises(PlanError, match="give it 8 sides or narrow its webs to 4 in all"):
        read_plan(text(5, 6))
    assert read_plan(text(5, 8)).forks[0].webs == (5,)
    assert read_plan(text(4, 6)).forks[0].webs == (4,)


def test_a_plan_made_by_hand_is_checked_alike() -> None:
    limbs = tuple(Limb(name, np.array([[0.0, 0, 0], [0, 0, 1]]), sides=6) for name in "abc")
    check_plan(LimbPlan(limbs, (Fork("a", ("b", "c"), (4,)),)))
    with pytest.raises(PlanError, match="web"):
        check_plan(LimbPlan(limbs, (Fork("a", ("b", "c"), (5,)),)))
    with pytest.raises(PlanError, match="loop"):
        check_plan(LimbPlan(limbs, sockets=(Socket("a", "a"),)))


coordinate = st.floats(-1e6, 1e6, allow_nan=False).map(lambda value: round(value, 6))
point = st.tuples(coordinate, coordinate, coordinate)
word = st.text(min_size=1, max_size=12).filter(lambda text: text.isprintable() and bool(text.strip()))


@st.composite
def plans(draw: st.DrawFn) -> LimbPlan:
    """Plans with every optional key there or not: a trunk with a fork, a socket and a splice as the names allow."""
    names = draw(st.lists(word, min_size=1, max_size=6, unique=True))
    limbs = []
    for name in names:
        joints = np.array(draw(st.lists(point, min_size=2, max_size=4, unique_by=lambda each: tuple(round(x) for x in each))))
        up = draw(st.none() | point.filter(lambda each: max(map(abs, each)) > 1e-3))
        limbs.append(Limb(name, joints, draw(st.none() | st.integers(2, 32).map(lambda half: 2 * half)),
                          draw(st.none() | st.tuples(*[st.integers(1, 512)] * (len(joints) - 1))), draw(st.integers(0, 9)), "open",
                          None if up is None else np.array(up) / np.linalg.norm(up), draw(st.none() | st.floats(1e-6, 1e6))))
    forks = (Fork(names[0], tuple(names[1:3]), draw(st.none() | st.just((1,)))),) if len(names) > 2 else ()
    sockets = (Socket(names[1], names[3]),) if len(names) > 3 else ()
    splices = (Splice(names[4], names[2], draw(st.none() | st.integers(1, 64))),) if len(names) > 4 else ()
    return LimbPlan(tuple(limbs), forks, sockets, splices, draw(st.sampled_from(["m", "cm", "mm"])),
                    draw(st.sampled_from([None, "x", "y", "z"])), draw(st.none() | st.integers(12, 1_000_000)))


@given(plans())
@settings(max_examples=60, deadline=None)
def test_a_written_plan_reads_back_alike(plan: LimbPlan) -> None:
    again = read_plan(format_plan(plan))
    assert (again.forks, again.sockets, again.splices) == (plan.forks, plan.sockets, plan.splices)
    assert (again.unit, again.symmetry, again.quad_budget) == (plan.unit, plan.symmetry, plan.quad_budget)
    for limb, other in zip(plan.limbs, again.limbs, strict=True):
        for key in ("name", "sides", "spans", "joint_loops", "tip", "radius"):
            assert getattr(limb, key) == getattr(other, key)
        np.testing.assert_array_equal(limb.joints, other.joints)
        assert (limb.up is None) == (other.up is None)
        if limb.up is not None and other.up is not None:
            np.testing.assert_allclose(limb.up, other.up, rtol=0, atol=1e-15)


@given(st.text(alphabet='[]={}",.#\n\'\\ abcdefghijklmnopqrstuvwxyz0123456789_-', max_size=120))
@settings(max_examples=150, deadline=None)
def test_any_text_is_read_or_refused(tail: str) -> None:
    try:
        read_plan(EXAMPLE + tail)
    except PlanError as error:
        assert "\n" not in str(error)
