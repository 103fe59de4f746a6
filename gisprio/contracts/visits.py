"""Words of the field form, as it is filled in and as it is read back."""

VISIT_SIDES = ("left", "right")
VERDICTS = ("ok", "wrong line", "wrong cover", "already done", "not natural")
"""What a visit says of the place itself: all but ok take the bank out of the ranking."""
CHOSEN = ("top", "random")
"""Why a place is on the form: for its rank, or drawn at random from the other ranked banks."""
MATERIALS = ("bedrock", "boulders", "cobble", "gravel", "sand", "silt", "clay")
"""What most of the bank face is made of."""
STRATIFICATIONS = ("none", "above bankfull", "at or below bankfull")
"""Where layers of unlike material show in the bank face."""
FIELD_CLASSES = ("very low", "low", "moderate", "high", "very high", "extreme")
"""Classes of the published field index of bank erosion hazard."""
