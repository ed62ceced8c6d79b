"""What each fault is called, how it looks on the bench, and what would tell it from its rivals: words for a mechanic.

Order of checks: most telling and least destructive first. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class FaultWords:
    """Words for one fault: `name` in plain words, `look_for` when it is true, `first` the check that opens nothing."""

    name: str
    look_for: str
    first: str


FAULT_WORDS = {
    "healthy": FaultWords(
        "nothing out of the ordinary",
        "no part worn, loose or out of true beyond what is usual for its kind",
        "keep this recording as the tool's baseline",
    ),
    "imbalance.accessory": FaultWords(
        "accessory out of balance",
        "disc, pad or bit with uneven mass, a worn bore, or seated off centre on its flange",
        "run without the accessory, then with another one, then with the first turned half a turn on the flange",
    ),
    "imbalance.armature": FaultWords(
        "armature out of balance",
        "armature with a missing or shifted balance patch, lost fan blade, dirt caked on one side",
        "run without the accessory: the line at the motor's speed stays as it is",
    ),
    "spindle.bent": FaultWords(
        "bent output spindle",
        "run-out of the flange and of the spindle's end against a dial gauge; accessory that wobbles sideways",
        "turn the spindle by hand with a pointer at the accessory's rim and at its face",
    ),
    "gear.wear": FaultWords(
        "worn gear teeth",
        "flanks polished hollow or stepped at the pitch line, backlash felt at the spindle, metal in the grease",
        "feel the backlash at the spindle and look at the grease",
    ),
    "gear.eccentric": FaultWords(
        "gear off centre",
        "run-out of the gear's pitch circle on its shaft, a loose press fit, backlash that changes once per turn",
        "turn the spindle by hand through a whole turn and feel where the backlash changes",
    ),
    "gear.tooth": FaultWords(
        "chipped or broken tooth",
        "one tooth with a corner or flank missing, a bright knock mark on its mate, a splinter in the grease",
        "turn the spindle slowly by hand and feel for a notch once per turn",
    ),
    "bushing.worn": FaultWords(
        "worn plain bushing",
        "bush worn oval or bright, shaft with play crosswise, dry or black lubricant",
        "rock the spindle crosswise by hand, tool unplugged, and feel for play",
    ),
    "bearing.outer_race": FaultWords(
        "rolling bearing, outer race damaged",
        "a pit or flaked patch in the outer ring's track, mostly on the loaded side",
        "turn the shaft by hand, unplugged, and feel for roughness at even steps",
    ),
    "bearing.inner_race": FaultWords(
        "rolling bearing, inner race damaged",
        "a pit or flaked patch in the inner ring's track",
        "turn the shaft by hand, unplugged, and feel for a roughness that comes and goes within a turn",
    ),
    "bearing.rolling_element": FaultWords(
        "rolling bearing, ball or roller damaged",
        "a ball or roller with a flat, a pit or discolouration",
        "turn the shaft by hand, unplugged, and feel for an irregular roughness",
    ),
    "bearing.cage": FaultWords(
        "rolling bearing, cage worn",
        "a cage with worn pockets, rubbing marks, brass or plastic dust in the grease",
        "shake the bearing by its shaft and listen for a rattle",
    ),
    "mount.loose": FaultWords(
        "loose handle, guard or housing",
        "handle thread, guard clamp or housing screws loose; bright rubbing marks at the seat",
        "tighten handle, guard and housing screws as the maker says and record again",
    ),
    "electrical.commutation": FaultWords(
        "brush or commutator trouble",
        "burnt or raised commutator bar, short or stuck brush, strong sparking, one bar darker than the rest",
        "look at the brushes through their caps, unplugged; watch for a ring of sparks only through the vents",
    ),
    "electrical.mains": FaultWords(
        "mains-frequency pull",
        "shorted turns or a loose field core, humming that stops at once when switched off, uneven winding resistance",
        "switch off at full speed: this line goes at once, lines of the shafts fade with the speed",
    ),
    "resonance": FaultWords(
        "resonance at running speed",
        "handle, guard or housing part whose own frequency lies at a shaft's rate; nothing worn",
        "record a coast-down: the level peaks where the speed passes the part's own frequency",
    ),
}

# What would tell a fault from a rival that fits the same lines. Either order of the pair; common practice, no source.
_SEPARATED_BY = {
    frozenset(
        {"imbalance.accessory", "spindle.bent"}
    ): "another accessory: imbalance goes with it, a bent spindle stays",
    frozenset({"imbalance.accessory", "imbalance.armature"}): "a recording without the accessory",
    frozenset(
        {"imbalance.accessory", "resonance"}
    ): "a coast-down: a resonance peaks on the way, imbalance falls evenly",
    frozenset(
        {"imbalance.armature", "resonance"}
    ): "a coast-down: a resonance peaks on the way, imbalance falls evenly",
    frozenset({"imbalance.accessory", "bushing.worn"}): "rock the spindle by hand, unplugged; and a new accessory",
    frozenset({"bushing.worn", "mount.loose"}): "tighten handle and housing and record again; rock the spindle by hand",
    frozenset(
        {"gear.eccentric", "gear.tooth"}
    ): "a slow turn by hand: a notch is a tooth, a gradual change is off centre",
    frozenset({"gear.wear", "gear.eccentric"}): "the backlash felt over a whole turn of the spindle",
    frozenset(
        {"gear.wear", "gear.tooth"}
    ): "a recording under load at steady speed, at least 20 s, for the once-per-turn knock",
    frozenset(
        {"electrical.mains", "imbalance.accessory"}
    ): "another speed: the mains line stays, the shaft's line moves",
    frozenset(
        {"bearing.outer_race", "bearing.inner_race"}
    ): "a longer recording at steady speed with a stiffly mounted sensor",
}


def separated_by(one: str, other: str) -> str | None:
    """Return the measurement that tells two rival faults apart, or None where none is noted."""
    return _SEPARATED_BY.get(frozenset({one, other}))
