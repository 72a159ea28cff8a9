"""Component ids of the page: measured cells graded and put together to packs."""

from __future__ import annotations

CELLS_DROP_EVENT, CELLS_FILE, CELLS_FILE_NAME = "cells-drop-event", "cells-file", "cells-file-name"
CELLS_SERIES, CELLS_PARALLEL, CELLS_PACKS = "cells-series", "cells-parallel", "cells-packs"
CELLS_RATED, CELLS_CHEMISTRY, CELLS_DAYS, CELLS_NOT_PROVEN = "cells-rated", "cells-chemistry", "cells-days", "cells-not-proven"
CELLS_BUTTON, CELLS_WAIT, CELLS_ERROR, CELLS_RESULT = "cells-button", "cells-wait", "cells-error", "cells-result"
CELLS_JOB, CELLS_WORK, CELLS_PROGRESS, CELLS_TICK, CELLS_CANCEL = "cells-job", "cells-work", "cells-progress", "cells-tick", "cells-cancel"
CELLS_OVER = "cells-over"
"""The matching that is over as far as the page knows."""
CELLS_SAVE, CELLS_DOWNLOAD = "cells-save", "cells-download"
CELLS_PACK, CELLS_GROUPS = "cells-pack", "cells-groups"
