"""The features weighed for each fault, with the sign its mechanism calls for: "+" for it, "-" against it, "?" open."""

from __future__ import annotations

from vibekit.machine.faults.octaves import OCTAVES

OF_KIND = "level_"  # features so named are plain levels: compared among tools of one kind only

_DISORDER = {"out_harmonics_one": "-"}  # a rattling output shaft explains much else
_RACES = {"race_comb": "-"}  # a bearing's impacts explain knocks
_PLAY = {
    **_RACES,
    "harmonics_one": "+",
    "harmonics_over": "+",
    "half_over": "+",
    "knock": "+",
    "two_least": "+",
}
_TEETH = {"level_mesh": "+", "mesh_over": "+", "mesh_share": "+", "side_least": "?"}
_RACE = {"line_comb": "+", "line_lead": "+", "pulse_comb": "+", "pulse_lead": "+", **_DISORDER}
FEATURES: dict[str, dict[str, str]] = {
    "imbalance.accessory": {
        "grade": "+",
        "one_share": "+",
        "one_over": "+",
        "swept_gain": "-",
        "noise_one": "-",
        "two_one": "-",
        "harmonics_one": "-",
        "half_over": "-",
        "axial_one": "-",
        "axial_two": "-",
        "two_least": "-",
    },
    "spindle.bent": {
        "two_one": "+",
        "two_over": "+",
        "axial_one": "+",
        "axial_two": "+",
        "two_least": "-",
        "one_share": "?",
        "harmonics_one": "-",
        "half_over": "-",
        "knock": "-",
    },
    "mount.loose": {
        **_PLAY,
        "below_one": "+",
        "one_over": "-",
        "axial_two": "-",
    },
    "imbalance.armature": {
        "grade": "+",
        "one_over": "+",
        "one_share": "+",
        "harmonics_one": "-",
        "two_one": "-",
        "knock": "-",
        **_DISORDER,
    },
    "gear.wear": {
        **_TEETH,
        "mesh_two": "+",
        "mesh_two_over": "+",
        "level_mesh_two": "+",
        "side_most": "?",
        "side_far": "-",
        "tooth_kurtosis": "-",
        **_DISORDER,
    },
    "gear.eccentric": {
        "side_most": "+",
        "side_over": "+",
        "knock": "?",
        "level_mesh": "?",
        "mesh_over": "?",
        "side_least": "-",
        "side_far": "-",
        "side_count": "?",
        "mesh_two": "-",
        "tooth_kurtosis": "-",
        **_DISORDER,
    },
    "gear.tooth": {
        "tooth_kurtosis": "+",
        "knock": "+",
        "side_far": "+",
        "side_count": "+",
        "side_most": "?",
        "out_harmonics_over": "+",
        "mesh_two": "-",
        "out_half_over": "-",
        **_RACES,
    },
    "bushing.worn": {
        **_PLAY,
        "two_one": "+",
        "below_one": "?",
        "harmonics_count": "+",
        "two_over": "+",
        "noise_one": "?",
        "one_over": "-",
        "axial_two": "?",
    },
    "bearing.outer_race": _RACE,
    "bearing.inner_race": _RACE,
    "bearing.rolling_element": _RACE,
    "bearing.cage": _RACE,
    "electrical.commutation": {"ripple_over": "+", "ripple_share": "+", "ripple_side": "+", **_DISORDER},
    "electrical.mains": {"mains_over": "+", "mains_share": "+", "mains_force": "+", **_DISORDER},
    "resonance": {"swept_gain": "+", **_DISORDER},
}
# What contact adds depends on how long it lasts: which octaves rise together is weighed for every fault, sign open.
OCTAVE_FEATURES = {f"level_{octave}{end}": "?" for octave in OCTAVES for end in ("", "_noise")}
for _signs in FEATURES.values():
    _signs |= OCTAVE_FEATURES
