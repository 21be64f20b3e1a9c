package nailbridge.oracle;

import java.io.ByteArrayInputStream;
import java.io.IOException;
import java.io.InputStream;
import java.net.URL;
import java.net.URLClassLoader;
import java.nio.charset.StandardCharsets;
import java.util.LinkedHashMap;
import java.util.List;
import java.util.Map;
import java.util.function.Consumer;
import java.util.regex.Matcher;
import java.util.regex.Pattern;

/**
 * Loads the program and the validator, and hands the validator the part of HL7's registry of OIDs that it can ask for.
 *
 * <p>The validator reads the whole registry, of 1.5 MB, for every document anew, which is more than half of what a small
 * resource costs. It asks it one thing: whether a URI of the document that begins with {@code urn:oid:} is registered. So the
 * lines of the OIDs that stand so in the inputs give the same answers as all lines do.
 *
 * <p>The program in it tells it the inputs by {@link Consumer}, which both know, with null for the whole registry.
 */
final class Registry extends URLClassLoader implements Consumer<List<String>> {
  private static final String FILE = "oidregistry.csv";
  private static final Pattern NAMED = Pattern.compile("urn:oid:([0-9.]+)");

  private final Map<String, String> lines = new LinkedHashMap<>(); // by OID, that of the titles first
  private byte[] part;

  private Registry(URL program) throws IOException {
    super("registry", new URL[] {program}, ClassLoader.getPlatformClassLoader());
    try (InputStream whole = super.getResourceAsStream(FILE)) {
      if (whole == null) {
        throw new IOException("the validator has no " + FILE);
      }
      for (String line : new String(whole.readAllBytes(), StandardCharsets.UTF_8).split("\\R")) {
        lines.put(line.split(",", 2)[0].trim(), line); // the last of two counts, as with the validator
      }
    }
  }

  /** Whether a class of the program was loaded by such a loader. */
  static boolean isOf(Class<?> known) {
    return known.getClassLoader() instanceof Consumer;
  }

  /** A class of the program as such a loader has it. */
  static Class<?> load(Class<?> known) throws ReflectiveOperationException, IOException {
    Registry registry = new Registry(known.getProtectionDomain().getCodeSource().getLocation());
    Thread.currentThread().setContextClassLoader(registry);
    return registry.loadClass(known.getName());
  }

  /** Tells the loader of this class what is going to be checked; null says that the validator is to be as it comes. */
  @SuppressWarnings("unchecked") // it is a Registry, but as another loader knows that class
  static void expect(List<String> texts) {
    ((Consumer<List<String>>) Registry.class.getClassLoader()).accept(texts);
  }

  @Override
  public void accept(List<String> texts) {
    part = texts == null ? null : partFor(texts);
  }

  private byte[] partFor(List<String> texts) {
    Map<String, String> named = new LinkedHashMap<>();
    Map.Entry<String, String> titles = lines.entrySet().iterator().next();
    named.put(titles.getKey(), titles.getValue());
    for (String text : texts) {
      for (Matcher at = NAMED.matcher(text); at.find(); ) {
        String line = lines.get(at.group(1));
        if (line != null) {
          named.put(at.group(1), line);
        }
      }
    }
    return (String.join("\n", named.values()) + "\n").getBytes(StandardCharsets.UTF_8);
  }

  @Override
  public InputStream getResourceAsStream(String name) {
    return name.equals(FILE) && part != null ? new ByteArrayInputStream(part) : super.getResourceAsStream(name);
  }
}
