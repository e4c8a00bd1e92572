"""The surgeon's audit: which questions it asks, and the folds on what was recorded."""

from analytics.pages.audit.beside import beside_published, published_table
from analytics.pages.audit.panels import asked, of_surgeon
from analytics.pages.audit.recorded import fold
