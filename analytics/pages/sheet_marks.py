"""The marks by which the notebook's side (`sheet`) and the runner's side know each other."""

RUN_VARIABLE = "REGROWTH_RUN"
END_TYPE = "application/vnd.regrowth.end+json"
RESULTS_FILE = "results.json"
