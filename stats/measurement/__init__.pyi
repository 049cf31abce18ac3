"""The public names of `stats.measurement`, each with the module that holds it."""

from .agreement import LimitsOfAgreement as LimitsOfAgreement
from .agreement import ReplicateAgreement as ReplicateAgreement
from .agreement import limits_of_agreement as limits_of_agreement
from .agreement import repeatability as repeatability
from .agreement import replicate_agreement as replicate_agreement
from .anchor_mcid import McidEstimate as McidEstimate
from .anchor_mcid import estimate_mcid as estimate_mcid
from .error_of_measurement import MeasurementError as MeasurementError
from .error_of_measurement import measurement_error as measurement_error
from .first_to_last import FirstToLast as FirstToLast
from .first_to_last import change_over_sets as change_over_sets
from .internal_consistency import cronbach_alpha as cronbach_alpha
from .reliability import IntraclassCorrelation as IntraclassCorrelation
from .reliability import concordance as concordance
from .reliability import intraclass_correlation as intraclass_correlation
from .reliability import kappa as kappa
from .within_person import within_person_correlation as within_person_correlation
