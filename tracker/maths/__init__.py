"""Mathematics used by every step: rotations, rigid fits, the camera, least squares."""
