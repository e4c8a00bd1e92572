"""At the chair: a follow-up, a session or a correction entered in JupyterLab or a terminal."""

from analytics.app.chair.form import show
from analytics.app.chair.timeline import beside as photographs
