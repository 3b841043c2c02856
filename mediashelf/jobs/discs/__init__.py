"""Jobs about one disc or a series: plan a recipe, build, check, draft, survey the drivers."""
