"""The public names of `outcomes`: each stands with the module that holds it, and is loaded when it is first used."""

from .checks.register import check as check
from .dynamometry.force import convert_force as convert_force
from .dynamometry.norms import grip_norm as grip_norm
from .errors import InstrumentError as InstrumentError
from .errors import StudyError as StudyError
from .findings import Findings as Findings
from .library.registry import catalogue as catalogue
from .library.registry import instrument as instrument
from .library.registry import threshold as threshold
from .library.registry import thresholds as thresholds
from .locking import lock_plan as lock_plan
from .locking import unblind as unblind
from .movement.force_hold import force_hold as force_hold
from .movement.ranges import motion_range as motion_range
from .movement.smoothness import smoothness as smoothness
from .movement.together import two_hands as two_hands
from .reading.study_folder import read_study as read_study
from .scoring.angles import total_active_motion as total_active_motion
from .scoring.score import score as score
from .scoring.score import score_items as score_items
from .sharing.data_set import share_study as share_study
from .study import Study as Study
