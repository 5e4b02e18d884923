"""What an interference fit does: contact pressure, press force, stress, and the clearance it takes.

Thick-walled cylinders under pressure, plane stress, both parts round, elastic and of equal length (Lamé).
Lengths in millimetres, interference and changes of diameter in micrometres on the diameter, pressure and
modulus in MPa (N/mm2), force in newtons. The press force holds for the friction assumed, which is the
weakest figure of all: it is a guide for setting the press and for noticing what goes wrong, not a limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

from config.errors import InputError

UM_PER_MM = 1000.0


@dataclass(frozen=True, slots=True)
class Material:
    """Elasticity and warming of a material.

    Attributes:
        name: as the trade says.
        modulus_mpa: Young's modulus.
        poisson: Poisson's ratio.
        expansion_per_k: linear expansion by temperature, 1/K.
    """

    name: str
    modulus_mpa: float
    poisson: float
    expansion_per_k: float


# Rounded handbook values, from memory; the alloy's own figures take precedence.
BEARING_STEEL = Material("bearing steel", 208_000.0, 0.30, 12.0e-6)
CAST_IRON = Material("cast iron", 170_000.0, 0.27, 10.5e-6)
CAST_STEEL = Material("cast steel", 207_000.0, 0.30, 11.5e-6)
ALUMINIUM = Material("aluminium", 70_000.0, 0.33, 23.0e-6)
MATERIALS = {material.name: material for material in (BEARING_STEEL, CAST_IRON, CAST_STEEL, ALUMINIUM)}


@dataclass(frozen=True, slots=True)
class Cylinder:
    """A ring or the wall around a bore: inner and outer diameter in mm, and what it is made of."""

    inner_mm: float
    outer_mm: float
    material: Material

    def __post_init__(self) -> None:
        if not 0.0 <= self.inner_mm < self.outer_mm:
            raise InputError(
                f"inner diameter {self.inner_mm:g} mm, outer diameter {self.outer_mm:g} mm",
                where=self.material.name,
                expected="an outer diameter larger than the inner one",
            )


@dataclass(frozen=True, slots=True)
class PressFit:
    """What one interference does.

    Attributes:
        interference_um: on the diameter; negative is a clearance, and then all else is zero.
        pressure_mpa: in the contact.
        force_n: to move the ring over the whole contact length, at the friction assumed.
        hoop_stress_mpa: largest tension in the housing, at its bore.
        raceway_um: by how much the inner diameter of the outer ring shrinks.
    """

    interference_um: float
    pressure_mpa: float
    force_n: float
    hoop_stress_mpa: float
    raceway_um: float


def ring_inner_mm(bore_mm: float, outside_mm: float) -> float:
    """Mean inner diameter of a bearing's outer ring, (d + 4 D)/5, when it has not been measured.

    Common handbook rule; its divisor is from memory. d is the bearing's bore, D its outside diameter.
    """
    return (bore_mm + 4.0 * outside_mm) / 5.0


def contact_pressure_mpa(interference_um: float, ring: Cylinder, housing: Cylinder) -> float:
    """Pressure between a ring and the bore that holds it; zero for a clearance.

    Args:
        interference_um: ring diameter minus bore diameter, both free and equally warm.
        ring: the inner part; its `outer_mm` is the contact's diameter.
        housing: the outer part; its `inner_mm` is taken equal to the contact's diameter.

    Source: Lamé; V. B. Bhandari, Design of Machine Elements, compound cylinders.
    """
    contact = ring.outer_mm
    if abs(housing.inner_mm - contact) > 0.01 * contact:
        raise InputError(
            f"ring of {contact:g} mm, bore of {housing.inner_mm:g} mm", where="fit", expected="one size"
        )
    if interference_um <= 0.0:
        return 0.0
    inside = (contact**2 + ring.inner_mm**2) / (contact**2 - ring.inner_mm**2) - ring.material.poisson
    outside = (housing.outer_mm**2 + contact**2) / (housing.outer_mm**2 - contact**2)
    outside += housing.material.poisson
    give = contact * (inside / ring.material.modulus_mpa + outside / housing.material.modulus_mpa)
    return interference_um / UM_PER_MM / give


def press_fit(
    interference_um: float, ring: Cylinder, housing: Cylinder, *, length_mm: float, friction: float
) -> PressFit:
    """Everything that follows from one interference.

    Args:
        interference_um: ring diameter minus bore diameter; negative is a clearance.
        ring: the bearing's outer ring.
        housing: the knuckle's wall around the bore, as a cylinder of like stiffness.
        length_mm: length of the contact.
        friction: coefficient assumed while pressing.

    Raises:
        InputError: a length or friction that is not above zero.
    """
    for name, value in (("contact length", length_mm), ("friction", friction)):
        if not value > 0.0:
            raise InputError(f"{name} {value:g}", where="fit", expected="a number above zero")
    pressure = contact_pressure_mpa(interference_um, ring, housing)
    contact = ring.outer_mm
    hoop = pressure * (housing.outer_mm**2 + contact**2) / (housing.outer_mm**2 - contact**2)
    shrink = 2.0 * pressure * contact**2 * ring.inner_mm / (contact**2 - ring.inner_mm**2)
    return PressFit(
        interference_um=interference_um,
        pressure_mpa=pressure,
        force_n=friction * pressure * pi * contact * length_mm,
        hoop_stress_mpa=hoop,
        raceway_um=shrink / ring.material.modulus_mpa * UM_PER_MM,
    )
