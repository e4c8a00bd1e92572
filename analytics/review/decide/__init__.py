"""What a quarter decides: over how many quarters, when it can be told, who carries it, what is new."""

from analytics.review.decide.carried import carried_by
from analytics.review.decide.rare import HARM_COLUMNS, harm
from analytics.review.decide.windows import Telling, told, window_of
