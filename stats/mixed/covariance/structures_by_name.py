"""Covariance structures by name."""

from dataclasses import replace

from stats.errors import FitError
from stats.mixed.covariance.correlated import AnteDependence, Exchangeable, Power, UnequalToeplitz
from stats.mixed.covariance.geometry import Geometry
from stats.mixed.covariance.paired import Paired
from stats.mixed.covariance.structure import (
    ByGroup,
    CompoundSymmetry,
    RandomEffects,
    Structure,
    Sum,
    Toeplitz,
    Unstructured,
)

EQUAL = ("compound-symmetry", "ar1", "toeplitz", "ante-dependence", "unstructured")
COVARIANCES = (*EQUAL, *(f"unequal-{name}" for name in EQUAL), "exponential", "unequal-exponential")


def over_visits(name: str, geometry: Geometry, slots: tuple) -> Structure:
    """The structure over visits called `name`; FitError lists the names for any other.

    `unstructured` has a variance for every visit already, so `unequal-unstructured` is the same. Apart from those
    there are "paired", "paired-lines" and "paired-uncorrelated" for slots that are visit x condition (see `paired`).
    """
    equal = not name.startswith("unequal-")
    match name.removeprefix("unequal-"):
        case "unstructured":
            return Unstructured(geometry, slots)
        case "compound-symmetry":
            return CompoundSymmetry(geometry) if equal else Exchangeable(geometry, slots)
        case "toeplitz":
            return Toeplitz(geometry) if equal else UnequalToeplitz(geometry, slots)
        case "ar1":
            return Power(geometry, slots, equal=equal, times=False)
        case "exponential":
            return Power(geometry, slots, equal=equal, times=True)
        case "ante-dependence":
            return AnteDependence(geometry, slots, equal=equal)
        case "paired" | "paired-lines" | "paired-uncorrelated" if equal:
            return Paired(geometry, slots, lines=name == "paired-lines", correlated=name != "paired-uncorrelated")
        case _:
            raise FitError(f"Covariance '{name}' is not known. Choose one of: {', '.join(COVARIANCES)}.")


def build_structure(
    geometry: Geometry,
    slots: tuple,
    random_terms: tuple[str, ...],
    groups: tuple,
    *,
    correlated: bool,
    covariance: str | None,
) -> Structure:
    """Random effects, a structure over visits, or their sum; parameters of its own for each of several groups."""
    inner_geometry = replace(geometry, n_groups=1) if geometry.n_groups > 1 else geometry
    if random_terms and covariance == "unstructured":
        raise FitError(
            "An unstructured covariance over visits already contains any random effect. "
            "Give random= or covariance='unstructured', not both."
        )
    if not random_terms:
        if covariance is None:
            raise FitError("Neither random= nor covariance= is given. Write random='1' for a random intercept.")
        structure = over_visits(covariance, inner_geometry, slots)
    elif covariance is None:
        structure = RandomEffects(inner_geometry, random_terms, correlated=correlated)
    else:
        effects = RandomEffects(inner_geometry, random_terms, correlated=correlated, residual=False)
        structure = Sum(effects, over_visits(covariance, inner_geometry, slots))
    return ByGroup(structure, geometry, groups) if len(groups) > 1 else structure
