"""One joint: the stages of its tick, what they keep, and what is declared of them."""
