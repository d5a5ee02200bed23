"""Which probes there are: the built-in ones and those of installed packages, through one hook."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping, Sequence
from importlib.metadata import EntryPoint, entry_points

import pluggy

from verifier import hookspecs
from verifier.errors import InputError
from verifier.readings import ProbeDeclaration
from verifier.steps import Probe

GROUP = "verifier"
"""Entry-point group of plug-ins."""
_NAME = re.compile(r"[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)*")


class ProbeCatalogue:
    """The probes by name. Serves as `Catalogue` to lint and engine."""

    def __init__(self, probes: Mapping[str, Probe], packages: Mapping[str, str] | None = None) -> None:
        self._probes, self._packages = dict(probes), dict(packages or {})

    def names(self) -> Sequence[str]:
        return sorted(self._probes)

    def declaration(self, name: str) -> ProbeDeclaration | None:
        probe = self._probes.get(name)
        return None if probe is None else probe.declaration

    def probe(self, name: str) -> Probe:
        """The probe of that name; InputError when there is none."""
        try:
            return self._probes[name]
        except KeyError:
            raise InputError(
                f"there is no probe {name[:100]!r}", to_do=f"There are: {', '.join(self.names())}."
            ) from None

    def package(self, name: str) -> str:
        """The package that brings a probe; empty when it is not known."""
        return self._packages.get(name, "")


def load_catalogue() -> ProbeCatalogue:
    """All probes of this installation. InputError names a plug-in that is broken and two that clash."""
    import verifier.gather.probes as built_in

    manager = pluggy.PluginManager("verifier")
    manager.add_hookspecs(hookspecs)
    # Registered as a module, not through our own entry point: that may be stale, or missing in a checkout.
    manager.register(built_in, name="verifier")
    for entry in sorted(set(entry_points(group=GROUP)), key=lambda e: (_package(e), e.name)):
        _register(manager, entry)
    probes: dict[str, Probe] = {}
    packages: dict[str, str] = {}
    # The hook's own order is last registered first; built-ins first reads better in a clash.
    for hook in sorted(manager.hook.verifier_probes.get_hookimpls(), key=lambda h: h.plugin_name != "verifier"):
        package = hook.plugin_name
        try:
            given: list[Probe] = list(hook.function())  # type: ignore[call-overload]
        except Exception as error:
            raise _broken(package, error) from error
        for probe in given:
            name = _declared(package, probe).name
            if name in probes:
                raise InputError(
                    f"two packages bring a probe called {name}: {packages[name]} and {package.split(':')[0]}",
                    to_do=f"Remove one of them: pip uninstall {package.split(':')[0]}",
                )
            probes[name], packages[name] = probe, package.split(":")[0]
    return ProbeCatalogue(probes, packages)


def _package(entry: EntryPoint) -> str:
    return entry.dist.name if entry.dist is not None else entry.value


def _register(manager: pluggy.PluginManager, entry: EntryPoint) -> None:
    package = _package(entry)
    try:
        plugin = entry.load()
        if not manager.is_registered(plugin):
            manager.register(plugin, name=f"{package}:{entry.name}")
    except (Exception, SystemExit) as error:
        raise _broken(f"{package}:{entry.name}", error) from error


def _broken(package: str, error: BaseException) -> InputError:
    why = " ".join(str(error).split())[:500]
    return InputError(
        f"the plug-in {package} cannot be loaded: {type(error).__name__}: {why}",
        to_do=f"Update or remove it: pip uninstall {package.partition(':')[0]}",
    )


def _declared(package: str, probe: Probe) -> ProbeDeclaration:
    declaration = getattr(probe, "declaration", None)
    if not isinstance(declaration, ProbeDeclaration):
        raise _broken(package, TypeError(f"{probe!r:.100} has no declaration"))
    if not _NAME.fullmatch(declaration.name):
        raise _broken(package, ValueError(f"{declaration.name!r:.100} is no probe name such as ethernet.link"))
    if not (isinstance(declaration.settings, type) and dataclasses.is_dataclass(declaration.settings)):
        raise _broken(package, TypeError(f"the settings of {declaration.name} are no dataclass"))
    if not declaration.readings:
        raise _broken(package, ValueError(f"{declaration.name} declares no readings"))
    return declaration
