"""Could a person be known by these tables? Each is looked through before anything is computed from it."""

from analytics.identifiers import codes
from analytics.identifiers.codes import code, new_key
from analytics.identifiers.leftovers import LET_THROUGH
from analytics.identifiers.lexicon import class_of_header, in_words, plain
from analytics.identifiers.tables import allowed_beside, examine, scan
