"""Second stage: counts to Pa, against a liquid column, with an honest uncertainty."""

__all__: list[str] = []
