"""The search for a breach: scenarios drawn by chance, judged on many parts of a joint.

strategies.py   Hypothesis strategies: scenarios for any joint (import them for your own tests)
crew.py         the parts that every scenario is run on: nominal, corners, random ones
rules.py        what must never happen, and the margin to it
attack.py       the search itself
"""

from sim.challenge.attack import Attack, Outcome, attack
from sim.challenge.crew import crew
from sim.challenge.rules import Judgement, Rules
from sim.challenge.strategies import scenarios

__all__ = ["Attack", "Judgement", "Outcome", "Rules", "attack", "crew", "scenarios"]
