// Builds the page into cmd/brimline/serve/dist: script and style with a hash of their
// content in the name, and the page that names them.
import { build } from "esbuild";
import { readFile, readdir, rm, writeFile } from "node:fs/promises";
import { basename } from "node:path";
import { gzipSync } from "node:zlib";

const here = new URL(".", import.meta.url);
const dist = new URL("../serve/dist/", here);

// All but .keep, which is what the repository holds of the folder.
for (const name of await readdir(dist)) {
  if (name !== ".keep") await rm(new URL(name, dist), { recursive: true });
}
const result = await build({
  absWorkingDir: here.pathname,
  entryPoints: { app: "src/app.js", style: "src/style.css" },
  outdir: new URL("assets", dist).pathname,
  entryNames: "[name]-[hash]",
  bundle: true,
  minify: true,
  format: "esm",
  target: ["es2022"],
  legalComments: "eof",
  metafile: true,
});
const names = Object.keys(result.metafile.outputs).map((path) => basename(path));
const named = (start, end) => names.find((name) => name.startsWith(start) && name.endsWith(end));
const page = (await readFile(new URL("src/index.html", here), "utf8"))
  .replace("{{style}}", `/assets/${named("style-", ".css")}`)
  .replace("{{app}}", `/assets/${named("app-", ".js")}`);
await writeFile(new URL("index.html", dist), page);

let total = gzipSync(page).length;
for (const name of names) total += gzipSync(await readFile(new URL(`assets/${name}`, dist))).length;
console.log(`page: ${(total / 1024).toFixed(1)} KB compressed, budget 150 KB`);
if (total > 150 * 1024) process.exit(1);
