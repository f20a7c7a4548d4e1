"""From chloride profiles and migration tests to diffusivities and penalty factors."""
