"""Points of the stone itself: tie points, triangulation, surface with covariance."""
