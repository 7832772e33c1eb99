"""The network of photographs: first poses, adjustment, covariance, blunders."""
