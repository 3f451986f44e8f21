"""Room `exchange`: bulk export to a folder, resumable, with a ledger of what is there."""
