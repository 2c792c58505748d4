"""The invented school, built by the site's own services. The only room that imports the fixtures."""
