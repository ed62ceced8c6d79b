"""What each feature of the evidence is, in a few words; what its number counts is said with it.

Decibels are of levels: 6 dB is twice, 20 dB ten times.
"""

from __future__ import annotations

from vibekit.machine.faults.octaves import OCTAVES

FEATURE_WORDS = {
    "grade": "unbalance over balance grade G 6.3, dB",
    "one_level": "level of 1x over 1 m/s², dB",
    "one_share": "1x against the whole low band, dB",
    "one_over": "1x over the noise, dB",
    "noise_one": "noise against 1x, dB",
    "below_one": "what lies below 1x against it, dB",
    "two_one": "2x against 1x, dB",
    "two_over": "2x over the noise, dB",
    "two_least": "2x against 1x on the axis where that is least, dB",
    "axial_one": "share of 1x along the shaft, dB",
    "axial_two": "share of 2x along the shaft, dB",
    "harmonics_one": "3x to 10x against 1x, dB",
    "harmonics_over": "3x to 10x over the noise, dB",
    "harmonics_count": "clear lines among 3x to 10x",
    "half_over": "half orders over the noise, dB",
    "knock": "knocking once per turn, over the noise, dB",
    "swept_gain": "more per speed² at running speed than on the way, dB",
    "mesh_over": "gear mesh over the noise, dB",
    "level_mesh": "gear mesh over 1 m/s², dB",
    "level_mesh_two": "2x gear mesh over 1 m/s², dB",
    "mesh_share": "gear mesh against the whole high band, dB",
    "mesh_two": "2x mesh against mesh, dB",
    "mesh_two_over": "2x mesh over the noise, dB",
    "side_most": "sidebands 1 and 2 of the gear whose are strongest, against the mesh, dB",
    "side_least": "sidebands 1 and 2 of the other gear, against the mesh, dB",
    "side_over": "strongest sideband over the noise, dB",
    "side_far": "sidebands 3 to 8 of that gear against the mesh, dB",
    "side_count": "clear lines among those sidebands",
    "tooth_kurtosis": "how much one tooth stands out of the average turn",
    "line_comb": "passing rate, harmonics and sidebands as lines, over the noise, dB",
    "line_lead": "that much clearer than the bearing's other rates, dB",
    "pulse_comb": "passing rate, harmonics and sidebands in the pulses, over the noise, dB",
    "pulse_lead": "pulses that much clearer than at the bearing's other rates, dB",
    "race_comb": "a bearing's passing rate that would explain it, dB",
    "ripple_over": "commutator line over the noise, dB",
    "ripple_share": "commutator line against the whole high band, dB",
    "ripple_side": "once-per-turn sidebands of the commutator line, dB",
    "mains_over": "twice the mains frequency over the noise, dB",
    "mains_share": "twice the mains frequency against the low band, dB",
    "mains_level": "twice the mains frequency over 1 m/s², dB",
    "mains_force": "pull at twice the mains frequency over 1 N, dB",
}
FEATURE_WORDS |= {
    f"level_{nominal}{end}": f"{words} the octave of {nominal} Hz over 1 m/s², dB"
    for nominal in OCTAVES
    for end, words in (("", "level in"), ("_noise", "noise in"))
}


def feature_words(feature: str) -> str:
    """Return a feature in words; `out_` features are those of the output shaft, read beside another part."""
    own = feature.removeprefix("out_")
    return FEATURE_WORDS[own] + (", output shaft" if own != feature else "")
