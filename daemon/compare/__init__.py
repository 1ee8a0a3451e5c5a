"""Comparing displays: which differences are real, who shares a rank, and how to say it.

`verdict` decides between two figures, `ranking` orders many, `words` says it; `question` asks the catalogue.
"""

from .question import compare
from .ranking import Comparison, Place, rank
from .verdict import Verdict, judge

__all__ = ["Comparison", "Place", "Verdict", "compare", "judge", "rank"]
