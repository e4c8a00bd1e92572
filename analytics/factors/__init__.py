"""Does what was recorded go with how grafts grow? One question a file, each adjusted for zone and case mix.

All are observational: a difference may be that of the cases. Where the records are too few to see a
difference that would matter, the answer is *cannot be told*, with about how many patients would do.
"""

from analytics.factors.adjusted import CANNOT_TELL, FALLS, HIGHER, LOWER, NO_MORE
from analytics.factors.gaps import missing_records
from analytics.factors.graft_sizes import hairs_per_graft, single_hair_grafts
from analytics.factors.persons import by_person
from analytics.factors.donor_area import donor
from analytics.factors.failed_photographs import photographs
from analytics.factors.planted_density import by_density
from analytics.factors.poor_growth import poor_growth
from analytics.factors.second_sessions import second_session
from analytics.factors.transected_grafts import transection
from analytics.factors.therapy import therapy_begun
from analytics.factors.whose import whose_hairs
