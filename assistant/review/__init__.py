"""Looking back: the timeline of one case, the statistics of many."""
