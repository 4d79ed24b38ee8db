"""From the drop folder to rows: tables checked, waveform files read, everything landed with its log."""
