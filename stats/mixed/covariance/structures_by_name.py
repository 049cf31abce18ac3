"""Covariance structures by name."""

from dataclasses import replace

from stats.errors import FitError
from stats.mixed.covariance.correlated import AnteDependence, Exchangeable, Power, UnequalToeplitz
from stats.mixed.covariance.geometry import Geometry
from stats.mixed.covariance.group_variances import GroupErrors, GroupVariances
from stats.mixed.covariance.own_times import OwnTimes
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


def over_visits(name: str, geometry: Geometry, slots: tuple, *, as_correlations: bool = False) -> Structure:
    """The structure over visits called `name`; FitError lists the names for any other.

    as_correlations: state compound symmetry and Toeplitz as a variance and correlations.

    `unstructured` has a variance for every visit already, so `unequal-unstructured` is the same. Apart from those
    there are "paired", "paired-lines" and "paired-uncorrelated" for slots that are visit x condition (see `paired`).
    """
    equal = not name.startswith("unequal-")
    match name.removeprefix("unequal-"):
        case "unstructured":
            return Unstructured(geometry, slots)
        case "compound-symmetry":
            return (
                Exchangeable(geometry, slots, equal=equal)
                if as_correlations or not equal
                else CompoundSymmetry(geometry)
            )
        case "toeplitz":
            return UnequalToeplitz(geometry, slots, equal=equal) if as_correlations or not equal else Toeplitz(geometry)
        case "ar1":
            return Power(geometry, slots, equal=equal, times=False)
        case "exponential":
            if geometry.times.ndim == 2:
                return OwnTimes(geometry, slots, equal=equal)
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
    variances_only: bool = False,
) -> Structure:
    """Random effects, a structure over visits, or their sum; parameters of its own for each of several groups.

    variances_only: groups differ by the variance over visits (of the errors, without a structure) and by nothing else.
    """
    inner_geometry = replace(geometry, n_groups=1) if geometry.n_groups > 1 else geometry
    if random_terms and covariance == "unstructured":
        raise FitError(
            "An unstructured covariance over visits already contains any random effect. "
            "Give random= or covariance='unstructured', not both."
        )
    if variances_only and len(groups) > 1 and (random_terms or covariance is not None):
        return _with_group_variances(geometry, slots, random_terms, groups, correlated, covariance)
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


def _with_group_variances(
    geometry: Geometry, slots: tuple, random_terms: tuple[str, ...], groups: tuple, correlated: bool,
    covariance: str | None,
) -> Structure:  # fmt: skip
    scatter: Structure
    if covariance is None:
        scatter = GroupErrors(geometry, groups)
    else:
        inner = over_visits(covariance, replace(geometry, n_groups=1), slots, as_correlations=True)
        scatter = GroupVariances(inner, geometry, groups)
    if not random_terms:
        return scatter
    return Sum(RandomEffects(geometry, random_terms, correlated=correlated, residual=False), scatter)
