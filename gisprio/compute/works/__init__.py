"""Works: what they ask for, what they cost, which of them do most within a budget."""
