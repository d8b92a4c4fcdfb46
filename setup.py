"""One import name. The folders decoders, pipeline and flows stay where they are and install as herdbook.decoders,
herdbook.pipeline and herdbook.flows; `import herdbook` itself is pipeline/api. The demo's logs and profiles go along
as data. Why so, and what else was weighed, is in DEVELOPERS.md; tests/test_install.py holds it. Everything else is in
pyproject.toml."""

from setuptools import find_packages, setup

FOLDERS = ("decoders", "pipeline", "flows")
inside = {f"herdbook.{root}": root for root in FOLDERS}
below = {
    f"herdbook.{root}.{name}": f"{root}/{name.replace('.', '/')}"
    for root in FOLDERS
    for name in find_packages(root)
    if (root, name) != ("pipeline", "api")
}
data = {  # for `herdbook demo`
    "herdbook.demo.logs": "demo_logs/fleet",
    "herdbook.demo.profiles": "dbc_demo",
    "herdbook.demo.stand": "demo_logs/stand",
    "herdbook.demo.acceptance": "demo_logs/acceptance",
    "herdbook.demo.book": "demo_logs/book",
}
package_dir = {"herdbook": "pipeline/api"} | inside | below | data
setup(packages=sorted(package_dir), package_dir=package_dir)
