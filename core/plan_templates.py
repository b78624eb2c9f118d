"""Ready-made limb plans as data: which places an artist points at, and which limbs and joins they make.

Bone shares of fingers and thumb: Buryanov, Kotiuk, "Proportions of hand segments", Int. J. Morphol. 28(3), 2010 (mean
lengths of metacarpals and phalanges, from memory); those of toes, paws and tails are common practice. They only fill in
where a limb lies straight: a bend of the sculpt shows where its joint is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from .plan import DEFAULT_JOINT_LOOPS


@dataclass(frozen=True)
class Place:
    """A place that the artist points at.

    name : as scripts give it
    words : as the status line asks for it
    optional : whether it may be left out, with the limbs that need it
    middle : whether it lies on the plane between both sides
    centred : whether the slice across the limb is closed there, so that the place moves into its middle
    """

    name: str
    words: str
    optional: bool = False
    middle: bool = False
    centred: bool = True


@dataclass(frozen=True)
class LimbRule:
    """How a limb comes out of places.

    places : from its root to its tip; a closed limb with one place begins where it leaves its trunk
    shares : usual lengths of the bones before the last place, in any unit
    hidden : length inside the trunk of a limb that leaves one, as a share of what stands free
    closed : whether the last place is the tip of the limb
    sided : whether the body has it on both sides
    joint_loops : rings gathered round its joints; 0 where it bends everywhere alike
    """

    name: str
    places: tuple[str, ...]
    shares: tuple[float, ...] = (1.0,)
    hidden: float = 0.0
    closed: bool = False
    sided: bool = False
    joint_loops: int = DEFAULT_JOINT_LOOPS


@dataclass(frozen=True)
class PlanTemplate:
    """A ready-made plan.

    forks : trunk and its branches in any order
    sockets : trunk and branch
    splices : upper limb and lower limb
    """

    name: str
    label: str
    places: tuple[Place, ...]
    limbs: tuple[LimbRule, ...]
    forks: tuple[tuple[str, tuple[str, ...]], ...] = ()
    sockets: tuple[tuple[str, str], ...] = ()
    splices: tuple[tuple[str, str], ...] = ()

    def place(self, name: str) -> Place:
        """The place of that name; KeyError where there is none."""
        for place in self.places:
            if place.name == name:
                return place
        raise KeyError(name)

    def is_tip(self, name: str) -> bool:
        """Whether a place is the closed end of a limb."""
        return any(limb.closed and limb.places[-1] == name for limb in self.limbs)

    def trunk_places(self, tip: str) -> list[str]:
        """The places where the trunks begin that a limb with this tip leaves."""
        joins = [(trunk, branch) for trunk, branches in self.forks for branch in branches] + list(self.sockets)
        own = [limb.name for limb in self.limbs if limb.closed and limb.places[-1] == tip]
        begins = {limb.name: limb.places[0] for limb in self.limbs}
        return [begins[trunk] for trunk, branch in joins if branch in own]

    @property
    def two_sided(self) -> bool:
        """Whether it has limbs on both sides of a plane, of which one side is pointed at."""
        return any(limb.sided for limb in self.limbs)


def _tip(name: str, words: str, *, optional: bool = True) -> Place:
    return Place(f"{name} tip", f"the tip of the {words}", optional)


def _digit(name: str, shares: tuple[float, ...], hidden: float) -> LimbRule:
    return LimbRule(name, (f"{name} tip",), shares, hidden, closed=True)


WRIST = Place("wrist", "the middle of the wrist")
ELBOW = Place("elbow", "the middle of the elbow")
SHOULDER = Place("shoulder", "the shoulder joint, inside the arm", centred=False)
ANKLE = Place("ankle", "the middle of the ankle", centred=False)
KNEE = Place("knee", "the middle of the knee")
HIP = Place("hip", "the hip joint, inside the thigh", centred=False)

FINGER_NAMES = ("index", "middle", "ring", "little")
TOE_NAMES = ("big toe", "second toe", "third toe", "fourth toe", "little toe")
PAW_NAMES = ("inner toe", "second toe", "third toe", "outer toe")

FINGER_PLACES = (_tip("thumb", "thumb"), _tip("index", "index finger", optional=False), _tip("middle", "middle finger"),
                 _tip("ring", "ring finger"), _tip("little", "little finger"))
TOE_PLACES = (_tip("big toe", "big toe, or of the whole foot", optional=False), *(_tip(name, name) for name in TOE_NAMES[1:]))

FINGERS = (_digit("index", (39.8, 22.4, 15.8), 0.30), _digit("middle", (44.6, 26.3, 17.4), 0.30),
           _digit("ring", (41.4, 25.7, 17.3), 0.30), _digit("little", (32.7, 18.1, 16.0), 0.30))
THUMB = _digit("thumb", (46.2, 31.6, 21.7), 0.60)
TOES = (_digit("big toe", (3.0, 2.4), 0.5), *(_digit(name, (3.0, 1.6, 1.4), 0.5) for name in TOE_NAMES[1:]))
PAW_TOES = tuple(_digit(name, (3.0, 2.0, 1.6), 0.5) for name in PAW_NAMES)

PALM = LimbRule("palm", ("wrist",))
FOOT_SHARES = (0.7, 0.3)
"""Ankle to the ball and ball to the tip of a foot without toes."""
FOOT = LimbRule("foot", ("ankle",), FOOT_SHARES)
UPPER_ARM, FOREARM = LimbRule("upper arm", ("shoulder", "elbow")), LimbRule("forearm", ("elbow", "wrist"))
THIGH, SHIN = LimbRule("thigh", ("hip", "knee")), LimbRule("shin", ("knee", "ankle"))

HAND_LIMBS, HAND_FORKS, HAND_SOCKETS = (PALM, *FINGERS, THUMB), (("palm", FINGER_NAMES),), (("palm", "thumb"),)
FOOT_LIMBS, FOOT_FORKS = (FOOT, *TOES), (("foot", TOE_NAMES),)
ARM_SPLICES, LEG_SPLICES = (("forearm", "upper arm"), ("palm", "forearm")), (("shin", "thigh"), ("foot", "shin"))
BODY_PLACES = (Place("neck", "the neck, where the cage ends", middle=True),
               Place("collar", "the root of the neck", middle=True, centred=False),
               Place("pelvis", "the pelvis, between the hips", middle=True, centred=False))


def _sided(rules: tuple[LimbRule, ...]) -> tuple[LimbRule, ...]:
    return tuple(replace(rule, sided=True) for rule in rules)


TEMPLATES: tuple[PlanTemplate, ...] = (
    PlanTemplate("hand", "Hand", (WRIST, *FINGER_PLACES), HAND_LIMBS, HAND_FORKS, HAND_SOCKETS),
    PlanTemplate("arm", "Arm", (SHOULDER, ELBOW, WRIST, *FINGER_PLACES), (UPPER_ARM, FOREARM, *HAND_LIMBS), HAND_FORKS, HAND_SOCKETS,
                 ARM_SPLICES),
    PlanTemplate("foot", "Foot", (Place("shin", "the lower leg, where the cage ends"), ANKLE, *TOE_PLACES),
                 (LimbRule("shin", ("shin", "ankle")), *FOOT_LIMBS), FOOT_FORKS, (), (("foot", "shin"),)),
    PlanTemplate("leg", "Leg", (HIP, KNEE, ANKLE, *TOE_PLACES), (THIGH, SHIN, *FOOT_LIMBS), FOOT_FORKS, (), LEG_SPLICES),
    PlanTemplate("paw", "Paw", (Place("leg", "the leg, where the cage ends"), Place("wrist", "the joint above the paw"),
                                _tip("inner toe", "innermost toe", optional=False), _tip("second toe", "toe beside it"),
                                _tip("third toe", "third toe"), _tip("outer toe", "outermost toe"), _tip("dewclaw", "dewclaw")),
                 (LimbRule("leg", ("leg", "wrist")), LimbRule("paw", ("wrist",), FOOT_SHARES), *PAW_TOES,
                  _digit("dewclaw", (1.0, 1.0), 0.4)),
                 (("paw", PAW_NAMES),), (("paw", "dewclaw"),), (("paw", "leg"),)),
    PlanTemplate("wing", "Wing", (SHOULDER, ELBOW, WRIST, Place("wing tip", "the tip of the wing"),
                                  _tip("thumb", "thumb at its front edge")),
                 (UPPER_ARM, FOREARM, LimbRule("hand", ("wrist", "wing tip"), (1.0, 1.0), closed=True),
                  _digit("thumb", (1.0, 1.0), 0.4)),
                 (), (("hand", "thumb"),), (("forearm", "upper arm"), ("hand", "forearm"))),
    PlanTemplate("tail", "Animal Tail", (Place("root", "the root of the tail"), Place("tip", "the tip of the tail")),
                 (LimbRule("tail", ("root", "tip"), (1.0,) * 8, closed=True, joint_loops=0),)),
    PlanTemplate("tentacle", "Tentacle", (Place("root", "the root of the tentacle"), Place("tip", "the tip of the tentacle")),
                 (LimbRule("tentacle", ("root", "tip"), (1.0,) * 14, closed=True, joint_loops=0),)),
    PlanTemplate("biped", "Biped Body", (*BODY_PLACES, SHOULDER, ELBOW, WRIST, *FINGER_PLACES, HIP, KNEE, ANKLE, *TOE_PLACES),
                 (LimbRule("neck", ("neck", "collar")), LimbRule("trunk", ("collar", "pelvis"), (2.0, 1.0, 1.0)),
                  *_sided((UPPER_ARM, FOREARM, *HAND_LIMBS, THIGH, SHIN, *FOOT_LIMBS))),
                 (("trunk", ("thigh",)), *HAND_FORKS, *FOOT_FORKS), (("trunk", "upper arm"), *HAND_SOCKETS),
                 (("trunk", "neck"), *ARM_SPLICES, *LEG_SPLICES)),
)
"""Every ready-made plan, simple ones among limbs first."""


def template_of(name: str) -> PlanTemplate:
    """The ready-made plan of that name; KeyError where there is none."""
    for template in TEMPLATES:
        if template.name == name:
            return template
    raise KeyError(name)
