// Bundles the page into ../static: one script, one style sheet, one HTML file.
import { build } from "esbuild";
import { copyFile, mkdir } from "node:fs/promises";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";

const here = dirname(fileURLToPath(import.meta.url));
const out = join(here, "..", "static");
await mkdir(out, { recursive: true });
await build({
  entryPoints: { page: join(here, "src", "main.ts") },
  bundle: true,
  minify: true,
  format: "iife",
  target: "es2022",
  charset: "utf8",
  legalComments: "inline",
  outdir: out,
});
await copyFile(join(here, "page.html"), join(out, "page.html"));
