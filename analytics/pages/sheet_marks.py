"""The names by which `render`, the runner and the notebook (`sheet`) know each other's files and marks."""

RUN_VARIABLE = "REGROWTH_RUN"
END_TYPE = "application/vnd.regrowth.end+json"
RESULTS_FILE = "results.json"
OUTCOME_FILE = "outcome.json"
STEP_FILE = "step.txt"
PLAN_FILE = "plan.json"
LOG_FILE = "log.txt"
CORES_VARIABLE = "REGROWTH_CORES"
LEFT_FILE = "left.json"  # what to note of a report for others, once it is published
