"""The fault, the rule and the remedy of every problem that concerns more than one cell, by its code.

A check says where and which rows; what is said about them is looked up here.
"""

import numpy as np
import pandas as pd

from analytics.records.messages import Problem, Sentence, at_rows
from analytics.records.sentences_case import CASE_SENTENCES
from analytics.records.sentences_follow import FOLLOW_SENTENCES

SENTENCES = {**CASE_SENTENCES, **FOLLOW_SENTENCES}


def found(
    frame: pd.DataFrame, wrong: pd.Series | np.ndarray, where: str, code: str, **words: str
) -> list[Problem]:
    """Return one Problem for the rows of a frame where `wrong` is True, or none.

    `where` is table.column; `words` fill the gaps of the sentence.
    """
    sentence = SENTENCES[code]
    one, several, rule, action = (part.format(**words) for part in sentence[:4])
    return at_rows(frame, wrong, where, code, Sentence(one, several, rule, action, sentence.severity))
