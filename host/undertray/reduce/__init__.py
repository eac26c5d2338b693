"""Third stage: Pa to newtons per axle, margins and the moments a seal let go."""
