"""Second stage: counts to Pa, and the water column that vouches for them."""
