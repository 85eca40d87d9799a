"""Plans trolled tracks for downrigger gear along depth lines, inside open water."""
