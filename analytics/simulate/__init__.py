"""An invented register with a known truth: for the demo, for trying things out, for studies of estimators."""

from analytics.simulate.growth import CURVES, emerged, emerged_at
from analytics.simulate.register import Latent, as_records, register
from analytics.simulate.truth import Truth, ZoneTruth, plain
from analytics.simulate.demo import write_demo
