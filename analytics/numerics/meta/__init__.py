"""One answer from several studies with known errors: `random_effects`; `few`, where they are few."""

from analytics.numerics.meta.effects import METHODS, MetaFit, random_effects
from analytics.numerics.meta.few import SCALE_OF_LOGS, SCALE_OF_POINTS, FewFit, Mixture, few
