// Bundles the page into ../static: one script, one style sheet, one HTML file, and the licences of what is bundled.
// Script and style begin with those licences, so that they travel with the wheel, the page and every report.
import { build } from "esbuild";
import { copyFile, mkdir, readFile, writeFile } from "node:fs/promises";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";

const here = dirname(fileURLToPath(import.meta.url));
const out = join(here, "..", "static");
await mkdir(out, { recursive: true });
const { dependencies } = JSON.parse(await readFile(join(here, "package.json"), "utf8"));
const texts = await Promise.all(
  Object.entries(dependencies).map(async ([name, version]) => {
    const text = await readFile(join(here, "node_modules", name, "LICENSE"), "utf8");
    return `${name} ${version}\n\n${text.trim()}`;
  }),
);
const licences = texts.join("\n\n");
if (/\*\/|<\/(script|style)/i.test(licences)) throw new Error("a licence text cannot stand in a comment");
const banner = `/*! This file contains:\n\n${licences}\n*/`;
await build({
  entryPoints: { page: join(here, "src", "main.ts") },
  bundle: true,
  minify: true,
  format: "iife",
  target: "es2022",
  charset: "utf8",
  legalComments: "inline",
  outdir: out,
  banner: { js: banner, css: banner },
});
await writeFile(join(out, "page.licences.txt"), `${licences}\n`);
await copyFile(join(here, "page.html"), join(out, "page.html"));
