"""Could a person be known by these tables? Each is looked through before anything is computed from it."""

from analytics.identifiers import codes
from analytics.identifiers.codes import code, new_key
from analytics.identifiers.leftovers import LET_THROUGH
from analytics.identifiers.lexicon import CLASSES, class_of_header, plain
from analytics.identifiers.tables import allowed_beside, examine, scan
