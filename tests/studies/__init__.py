"""Studies: many invented fleets with a known truth, to measure what the judgement promises."""
