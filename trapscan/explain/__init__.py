"""Why a slip tempts and why it fails, in words the position bears out."""
