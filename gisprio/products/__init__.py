"""Products: what is written from results. Each is one row of :data:`PRODUCTS`."""

from __future__ import annotations

from gisprio.contracts.cards import Product

PRODUCTS: tuple[Product, ...] = (
    Product("ranked.gpkg", "gisprio.products.ranked:write_ranked", "All result layers, styled."),
    Product("reaches.csv", "gisprio.products.tables:write_reaches", "The reaches without geometry."),
    Product("banks.csv", "gisprio.products.tables:write_banks", "The banks without geometry."),
    Product("properties.csv", "gisprio.products.tables:write_properties", "The properties without geometry."),
    Product("sites.csv", "gisprio.products.tables:write_sites", "The sites without geometry."),
    Product("ranked.xlsx", "gisprio.products.workbook:write_workbook", "The tables as one workbook, a sheet a table."),
    Product("top.kmz", "gisprio.products.top_banks:write_top", "The most urgent banks for phones and globes."),
    Product(
        "monitoring.csv",
        "gisprio.products.tables:write_monitoring",
        "What visits of several dates saw, place by place.",
        optional=True,
    ),
    Product("profiles.csv", "gisprio.products.profiles:write_profiles_table", "The long profile of every stream."),
    Product("profiles.svg", "gisprio.products.profiles:write_profiles_picture", "The longest streams as a picture."),
    Product("sensitivity.csv", "gisprio.products.tables:write_sensitivity", "What would change the top ten banks."),
    Product("methods.html", "gisprio.products.methods:write_methods", "How the run was done, with sources."),
    Product("report.html", "gisprio.products.report:write_report", "The report, for reading and for print."),
    Product("backdrop.tif", "gisprio.products.backdrop:write_backdrop", "The picture at the foot of maps."),
    Product(
        "map.html",
        "gisprio.products.map_split:write_map_of_run",
        "Interactive map, one file, needs no network; over 131,072 banks a page that leads to a map a sub-watershed.",
        more="map-*.html",
    ),
)
