"""How well a count repeats, and how far it strays.

A density is a reading, and a reading has an error of its own. Three kinds of count behave differently:

* an *unmarked* field samples a zone: other follicles are under the lens each time, so that its count
  varies like a Poisson count or more, because follicles stand in units: variance of a density = phi x
  density / counted area;
* a *marked* region holds the same follicles each time: its count varies only by counting and relocating,
  a fixed share of the density: variance = (CV x density) squared;
* a *changed reader* adds the contrast of two readers' habits: 2 x (between-reader CV x density) squared,
  on the scale of the reader who took the baseline.

The density in these formulas is always the *expected* one (from a model, or from one hair more than was
counted), never the bare count: weights from bare counts favour low readings and bias yield downwards, and
a count of zero would have no error.

Sources: over-dispersion up to 1.5 from the sizes of follicular units (Guo 2017, Plast Aesthet Res
4:150-4, Table 3, by E(m^2)/E(m) and the evenness of spacing, computed); within-reader CV 2.6 to 9.8 % and
between-reader CV 2.9 to 6.3 % (two-point phototrichogram, 7 volunteers, 3 readings, 3 dermatologists;
university record 158519).
"""

from analytics.measurement.agreement import error_model, repeatability
from analytics.measurement.bridge import bridge, bridged, series_changes
from analytics.measurement.error import CountError, count_variance, habit_cv, plus_one_hair
from analytics.measurement.grades import answers, grades, reader_agreement
