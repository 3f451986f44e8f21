"""Room `exchange`: what proves to a server who we are."""
