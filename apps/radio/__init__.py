"""Framework-free radio engineering: units, rasters, propagation, selectivity, intermodulation, margins."""
