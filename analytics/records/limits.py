"""Limits that concern more than one column, each with its basis; the dictionary has those of one column."""

HAIRS_PER_GRAFT = (1.0, 4.5)  # published: Guo et al. 2017, Plast Aesthet Res 4:150-4; a margin assumed
USUAL_DONOR_HAIRS_PER_FU = (
    1.6,
    2.8,
)  # published: the same; Bernstein & Wolfeld 2016, Dermatol Surg 42:710-14
PLANTED_GRAFTS_CM2 = (1.0, 100.0)  # published range 10 to 72; a margin assumed
USUAL_PLANTED_GRAFTS_CM2 = (15.0, 60.0)  # published: see dictionary, roi_planted_hairs_cm2
MOST_TRANSECTED_PCT = (
    60.0  # published up to 32.1 %: Avram & Watkins 2014, Dermatol Surg (from memory); margin assumed
)
USUAL_TRANSECTED_PCT = (
    12.0  # published means 4.9 to 6.6 %: Shin et al. 2014, J Am Acad Dermatol; margin assumed
)
GRAFTS_TOLERANCE_PCT = 2.0  # assumed: counts at the table and in the operation note differ by so much
ROI_OVER_ZONE = 3.0  # assumed: beyond this ratio a unit is likelier than a steep gradient
LIFETIME_GRAFTS = 15000  # published ceiling about 6,000: Umar 2016, Aesthet Surg J 36:1101-10; margin assumed
# Published densities are 100 to 260 hairs/cm2, 1 to 2.6 per mm2: Guo et al. 2017, Plast Aesthet Res 4:150-4.
PER_MM2_BELOW = 5.0
FEWEST_FOR_A_UNIT = 8  # assumed: fewer low counts may be true ones
MOST_YIELD_PCT = (
    200.0  # published readings up to 133 %: Beehner 2010, Hair Transplant Forum Int 20(1):1; margin assumed
)
REPEAT_RATIO = 2.0  # published repeatability CV is 2.6 to 9.8 %; twice is assumed to be a slip
REPEAT_HAIRS_CM2 = 20.0  # assumed: below this two honest counts of a small field may differ twofold
