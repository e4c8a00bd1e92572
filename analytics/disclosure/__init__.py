"""May these numbers leave, and for whom: small counts withheld, with everything that would give them back."""

from analytics.disclosure import earlier
from analytics.disclosure.earlier import refuse_few
from analytics.disclosure.rules import AUDIENCES, BANNER, UNTOLD, WITHHELD, Rule, rule
from analytics.disclosure.suppress import (
    protect_all, protect_facts, protect_frame, protect_provenance, protect_text,
)
