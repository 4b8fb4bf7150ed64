"""The built manifests against the published schemas of Kubernetes (as
kubernetes-validate from PyPI carries them), and what schemas do not know: that
names meet, that nothing runs as root, that there is one service per building."""

import subprocess
import sys

import yaml

built, validate = sys.argv[1:]
wrong = []
for version in ["1.30", "1.34"]:
    done = subprocess.run([validate, "--strict", "--kubernetes-version", version, built], capture_output=True, text=True)
    if done.returncode:
        wrong.append(f"schema of {version}: {done.stdout}{done.stderr}")

things = {thing["kind"]: thing for thing in yaml.safe_load_all(open(built))}
kinds = {"ConfigMap", "NetworkPolicy", "Secret", "Service", "StatefulSet"}
if set(things) != kinds:
    wrong.append(f"expected {kinds}, found {set(things)}")

spec = things["StatefulSet"]["spec"]
pod = spec["template"]["spec"]
[container] = pod["containers"]
labels = spec["template"]["metadata"]["labels"]


def expect(what, is_so):
    if not is_so:
        wrong.append(what)


expect("one service per building", spec["replicas"] == 1)
expect("labels meet", spec["selector"]["matchLabels"] == labels)
expect("the service finds the pod", things["Service"]["spec"]["selector"] == labels)
expect("the policy finds the pod", things["NetworkPolicy"]["spec"]["podSelector"]["matchLabels"] == labels)
expect("the set's service", spec["serviceName"] == things["Service"]["metadata"]["name"])
sources = pod["volumes"][0]["projected"]["sources"]
expect("the site is mounted", sources[0]["configMap"]["name"] == things["ConfigMap"]["metadata"]["name"])
expect("the secrets are mounted", sources[1]["secret"]["name"] == things["Secret"]["metadata"]["name"])
expect("the site file is there", "site.toml" in things["ConfigMap"]["data"])
expect("not as root", pod["securityContext"]["runAsNonRoot"] and pod["securityContext"]["runAsUser"] > 0)
expect("no gain of rights", container["securityContext"]["allowPrivilegeEscalation"] is False)
expect("a root that cannot be written", container["securityContext"]["readOnlyRootFilesystem"])
expect("no capabilities", container["securityContext"]["capabilities"] == {"drop": ["ALL"]})
expect("no token of the cluster", pod["automountServiceAccountToken"] is False)
expect("the journal stays", spec["persistentVolumeClaimRetentionPolicy"]["whenDeleted"] == "Retain")
mounts = {mount["name"] for mount in container["volumeMounts"]}
volumes = {volume["name"] for volume in pod["volumes"]} | {
    claim["metadata"]["name"] for claim in spec["volumeClaimTemplates"]
}
expect(f"volumes meet: {mounts} {volumes}", mounts == volumes)
port = container["ports"][0]["name"]
for probe in ["startupProbe", "livenessProbe", "readinessProbe"]:
    expect(f"{probe} asks the page", container[probe]["httpGet"]["port"] == port)
expect("liveness does not hang on the broker", container["livenessProbe"]["httpGet"]["path"] == "/healthz")

print("\n".join(wrong) or f"{len(things)} things of one building, well")
sys.exit(bool(wrong))
