"""Families of sidebands around gear meshes: how far apart they stand says which gear is off.

A gear that is off centre, or has one bad tooth, modulates the mesh once per its turn: lines at the mesh ± k times that
shaft's rate. Their distance is found blindly, from the cepstrum, and only then held against the rates of the shafts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from vibekit.machine.spectra.cepstrum import line_spacing
from vibekit.machine.spectra.reading import FlooredSpectrum, read_sidebands
from vibekit.recording.toolsheet import Mesh, ToolSheet

_SHAFT = 0.03  # of the rate: how near a spacing must come to a shaft's rate to be called by its name
_SLOWEST, _FASTEST = 0.7, 1.3  # times the pair's shafts: spacings looked for
_REACH = 6.0  # times the faster shaft: how far from the mesh carriers are looked for


@dataclass(frozen=True)
class SidebandRow:
    """Sidebands of one mesh: `spacing_hz` apart, at the rate of shaft `of` (None: of none in the sheet).

    `found` how many of three on either side stand over the noise; `ratio` their r.m.s. sum to the mesh line (None where
    that is not found); `clear` how many times the median of the cepstrum the spacing stands out.
    """

    carrier: str
    carrier_hz: float
    spacing_hz: float
    of: str | None
    found: int
    ratio: float | None
    clear: float

    def to_dict(self) -> dict[str, Any]:
        """Return the family as document data."""
        return {
            "carrier": self.carrier,
            "carrier_hz": self.carrier_hz,
            "spacing_hz": self.spacing_hz,
            "of": self.of,
            "sidebands_found": self.found,
            "ratio": self.ratio,
            "clear": self.clear,
        }


def sideband_families(
    floored: FlooredSpectrum, hz_per_unit: float, tool: ToolSheet | None, rates: Mapping[str, float]
) -> tuple[SidebandRow, ...]:
    """Return the family of sidebands of every mesh of the sheet that has one, spectrum over frequency or orders.

    `hz_per_unit` turns the spectrum's unit into Hz, `rates` are those of the shafts in that spectrum [Hz]. Empty
    without a sheet, tooth counts or rates.
    """
    meshes = [m for m in (tool.meshes if tool else ()) if m.driver_teeth and {m.driver, m.driven} <= set(rates)]
    return tuple(row for mesh in meshes for row in _family(floored, hz_per_unit, mesh, rates))


def _family(
    floored: FlooredSpectrum, hz_per_unit: float, mesh: Mesh, rates: Mapping[str, float]
) -> Iterator[SidebandRow]:
    slow, fast = sorted((rates[mesh.driver], rates[mesh.driven]))
    carrier = (mesh.driver_teeth or 0) * rates[mesh.driver]
    reach = min(_REACH * fast, 0.9 * carrier)
    band = ((carrier - reach) / hz_per_unit, (carrier + reach) / hz_per_unit)
    if band[1] > floored.spectrum.frequency[-1]:
        return
    spacing = line_spacing(floored, _SLOWEST * slow / hz_per_unit, _FASTEST * fast / hz_per_unit, band)
    if spacing is None:
        return
    apart = spacing.spacing * hz_per_unit
    of = min(rates, key=lambda name: abs(rates[name] - apart))
    named = abs(rates[of] - apart) <= _SHAFT * rates[of]
    exact = rates[of] if named else apart  # the cepstrum's spacing is good enough for the name, not for the third line
    family = read_sidebands(floored, carrier / hz_per_unit, exact / hz_per_unit)
    if named or family.found:
        name = f"mesh {mesh.driver}-{mesh.driven}"
        yield SidebandRow(name, carrier, apart, of if named else None, family.found, family.ratio, spacing.clear)
