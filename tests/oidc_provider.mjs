// A real OpenID Connect provider (npm's oidc-provider) on this machine, for a test: whoever
// signs in there is vouched for under the name that was typed.
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";

const [folder, port, redirect, secret] = process.argv.slice(2);
const found = createRequire(folder + "/").resolve("oidc-provider");
const { default: Provider } = await import(pathToFileURL(found));
const provider = new Provider(`http://127.0.0.1:${port}`, {
  clients: [{ client_id: "ward", client_secret: secret, redirect_uris: [redirect] }],
  pkce: { required: () => true },
  cookies: { keys: ["for this test alone"] },
});
provider.listen(Number(port), "127.0.0.1");
