"""The smallest plan of a study: yield at maturity by method within zone."""

YIELD = {"id": "yield", "role": "primary", "outcome": {"kind": "yield_at_maturity"}, "matters": 5}
PLAN = {
    "title": "t",
    "question": "q?",
    "seed": 1,
    "population": {"words": "all"},
    "exposure": {"variable": "method", "reference": ["FUT"], "compared": ["FUE"], "reason": "r"},
    "adjust": [{"variable": "zone", "reason": "r"}],
    "analysis": [YIELD],
}
