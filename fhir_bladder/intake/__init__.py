"""Room `intake`: unattended listeners (MLLP, watched folders). May import readers, exchange."""
