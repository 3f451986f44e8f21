import ca.uhn.fhir.batch2.jobs.config.Batch2JobsConfig;
import ca.uhn.fhir.batch2.jobs.export.BulkDataExportProvider;
import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.jpa.api.IDaoRegistry;
import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.config.ThreadPoolFactoryConfig;
import ca.uhn.fhir.jpa.api.dao.IFhirSystemDao;
import ca.uhn.fhir.jpa.batch2.JpaBatch2Config;
import ca.uhn.fhir.jpa.binstore.DatabaseBinaryContentStorageSvcImpl;
import ca.uhn.fhir.jpa.config.HibernatePropertiesProvider;
import ca.uhn.fhir.jpa.config.r4.JpaR4Config;
import ca.uhn.fhir.jpa.config.util.HapiEntityManagerFactoryUtil;
import ca.uhn.fhir.jpa.config.util.ResourceCountCacheUtil;
import ca.uhn.fhir.jpa.dao.FulltextSearchSvcImpl;
import ca.uhn.fhir.jpa.dao.IFulltextSearchSvc;
import ca.uhn.fhir.jpa.dao.search.HSearchSortHelperImpl;
import ca.uhn.fhir.jpa.dao.search.IHSearchSortHelper;
import ca.uhn.fhir.jpa.model.config.PartitionSettings;
import ca.uhn.fhir.jpa.model.config.SubscriptionSettings;
import ca.uhn.fhir.jpa.model.dialect.HapiFhirH2Dialect;
import ca.uhn.fhir.jpa.provider.DaoRegistryResourceSupportedSvc;
import ca.uhn.fhir.jpa.provider.IJpaSystemProvider;
import ca.uhn.fhir.jpa.provider.JpaCapabilityStatementProvider;
import ca.uhn.fhir.jpa.provider.ValueSetOperationProvider;
import ca.uhn.fhir.jpa.search.DatabaseBackedPagingProvider;
import ca.uhn.fhir.jpa.search.IStaleSearchDeletingSvc;
import ca.uhn.fhir.jpa.search.StaleSearchDeletingSvcImpl;
import ca.uhn.fhir.jpa.subscription.channel.config.SubscriptionChannelConfig;
import ca.uhn.fhir.jpa.subscription.match.config.SubscriptionProcessorConfig;
import ca.uhn.fhir.jpa.subscription.match.deliver.email.IEmailSender;
import ca.uhn.fhir.jpa.subscription.submit.config.SubscriptionSubmitterConfig;
import ca.uhn.fhir.jpa.util.ResourceCountCache;
import ca.uhn.fhir.rest.api.IResourceSupportedSvc;
import ca.uhn.fhir.rest.server.RestfulServer;
import ca.uhn.fhir.rest.server.provider.ResourceProviderFactory;
import ca.uhn.fhir.rest.server.util.ISearchParamRegistry;
import jakarta.persistence.EntityManagerFactory;
import org.hibernate.boot.model.naming.CamelCaseToUnderscoresNamingStrategy;
import org.hibernate.dialect.Dialect;
import org.springframework.beans.factory.config.ConfigurableListableBeanFactory;
import org.springframework.boot.SpringApplication;
import org.springframework.boot.SpringBootConfiguration;
import org.springframework.boot.autoconfigure.ImportAutoConfiguration;
import org.springframework.boot.autoconfigure.jdbc.DataSourceAutoConfiguration;
import org.springframework.boot.autoconfigure.web.servlet.ServletWebServerFactoryAutoConfiguration;
import org.springframework.boot.context.properties.EnableConfigurationProperties;
import org.springframework.boot.web.servlet.ServletRegistrationBean;
import org.springframework.context.annotation.*;
import org.springframework.core.env.Environment;
import org.springframework.orm.jpa.JpaTransactionManager;
import org.springframework.orm.jpa.LocalContainerEntityManagerFactoryBean;
import org.springframework.transaction.annotation.EnableTransactionManagement;
import java.util.*;
import javax.sql.DataSource;

/** A FHIR R4 server for tests: HAPI JPA 8.8.0 on H2 in memory, 127.0.0.1 only. Prints "port N" when it listens. */
@SpringBootConfiguration
@EnableTransactionManagement
@ImportAutoConfiguration({DataSourceAutoConfiguration.class, org.springframework.boot.autoconfigure.web.embedded.EmbeddedWebServerFactoryCustomizerAutoConfiguration.class, ServletWebServerFactoryAutoConfiguration.class})
@Import({JpaR4Config.class, JpaBatch2Config.class, Batch2JobsConfig.class, ThreadPoolFactoryConfig.class,
  SubscriptionSubmitterConfig.class, SubscriptionProcessorConfig.class, SubscriptionChannelConfig.class})
public class HapiServer {
  public static void main(String[] a) {
    SpringApplication app = new SpringApplication(HapiServer.class);
    app.setDefaultProperties(Map.of("server.address", "127.0.0.1", "server.port", "0",
        "server.tomcat.relaxed-query-chars", "|", "spring.main.allow-bean-definition-overriding", "true",
        "spring.main.allow-circular-references", "true", "spring.main.banner-mode", "off",
        "spring.datasource.url", "jdbc:h2:mem:fhir;DB_CLOSE_DELAY=-1",
        "spring.datasource.driver-class-name", "org.h2.Driver", "spring.datasource.hikari.maximum-pool-size", "10"));
    var run = app.run(a);
    System.out.println("port " + run.getEnvironment().getProperty("local.server.port"));
    System.out.flush();
    // bulk jobs advance one step a maintenance pass, and the default is one pass a minute
    long every = run.getEnvironment().getProperty("maintenance.ms", Long.class, 500L);
    var svc = run.getBean(ca.uhn.fhir.batch2.api.IJobMaintenanceService.class);
    Thread t = new Thread(() -> {
      while (every > 0) {
        try { Thread.sleep(every); svc.runMaintenancePass(); }
        catch (InterruptedException e) { return; }
        catch (RuntimeException e) { System.err.println("maintenance: " + e); }
      }
    }, "bulk-maintenance");
    t.setDaemon(true);
    t.start();
  }

  @Bean IFulltextSearchSvc fullTextSearchSvc() { return new FulltextSearchSvcImpl(); }
  @Bean IStaleSearchDeletingSvc staleSearchDeletingSvc() { return new StaleSearchDeletingSvcImpl(); }
  @Bean IResourceSupportedSvc resourceSupportedSvc(IDaoRegistry r) { return new DaoRegistryResourceSupportedSvc(r); }
  @Bean(name = "myResourceCountsCache") ResourceCountCache counts(IFhirSystemDao<?, ?> d) { return ResourceCountCacheUtil.newResourceCountCache(d); }
  @Bean IHSearchSortHelper hSearchSortHelper(ISearchParamRegistry r) { return new HSearchSortHelperImpl(r); }
  @Bean PartitionSettings partitionSettings() { return new PartitionSettings(); }
  @Bean SubscriptionSettings subscriptionSettings() { return new SubscriptionSettings(); }
  @Bean IEmailSender emailSender() { return d -> {}; }
  @Bean DatabaseBinaryContentStorageSvcImpl binaryStorage() { return new DatabaseBinaryContentStorageSvcImpl(); }

  @Bean JpaStorageSettings jpaStorageSettings(Environment env) {
    JpaStorageSettings s = new JpaStorageSettings();
    s.setReuseCachedSearchResultsForMillis(null);          // a test must see its own writes
    s.setAllowMultipleDelete(true);
    s.setExpungeEnabled(true);
    s.setPreExpandValueSets(false);
    s.setEnforceReferentialIntegrityOnWrite(env.getProperty("referential.integrity", Boolean.class, true));
    s.setAutoCreatePlaceholderReferenceTargets(false);
    s.setAllowExternalReferences(true);
    return s;
  }

  @Bean DatabaseBackedPagingProvider paging() {
    DatabaseBackedPagingProvider p = new DatabaseBackedPagingProvider();
    p.setDefaultPageSize(20);
    p.setMaximumPageSize(500);
    return p;
  }

  @Primary @Bean
  LocalContainerEntityManagerFactoryBean entityManagerFactory(DataSource ds, ConfigurableListableBeanFactory bf, FhirContext ctx, JpaStorageSettings s) {
    LocalContainerEntityManagerFactoryBean f = HapiEntityManagerFactoryUtil.newEntityManagerFactory(bf, ctx, s);
    Map<String, Object> p = new HashMap<>();
    p.put("hibernate.dialect", HapiFhirH2Dialect.class.getName());
    p.put("hibernate.hbm2ddl.auto", "update");
    p.put("hibernate.archive.scanner", "org.hibernate.boot.archive.scan.internal.DisabledScanner");
    p.put("hibernate.physical_naming_strategy", CamelCaseToUnderscoresNamingStrategy.class.getName());
    p.put("hibernate.jdbc.batch_size", "20");
    p.put("hibernate.cache.use_query_cache", "false");
    p.put("hibernate.cache.use_second_level_cache", "false");
    p.put("hibernate.search.enabled", "false");
    f.setPersistenceUnitName("HAPI_PU");
    f.setJpaPropertyMap(p);
    f.setDataSource(ds);
    return f;
  }

  @Primary @Bean JpaTransactionManager transactionManager(EntityManagerFactory emf) { return new JpaTransactionManager(emf); }

  @Primary @Bean HibernatePropertiesProvider dialectProvider() {
    return new HibernatePropertiesProvider() { @Override public Dialect getDialect() { return new HapiFhirH2Dialect(); } };
  }

  @Bean
  ServletRegistrationBean<RestfulServer> fhir(IFhirSystemDao<?, ?> dao, IJpaSystemProvider sys, ResourceProviderFactory rp, JpaStorageSettings s,
      ISearchParamRegistry spr, IValidationSupport vs, DatabaseBackedPagingProvider paging, BulkDataExportProvider export,
      ValueSetOperationProvider vsOp, ca.uhn.fhir.interceptor.api.IInterceptorService interceptors) {
    RestfulServer r = new RestfulServer(dao.getContext());
    r.setInterceptorService(interceptors);
    r.registerProviders(rp.createProviders());
    r.registerProvider(sys);
    r.registerProvider(export);
    r.registerProvider(vsOp);
    r.setServerConformanceProvider(new JpaCapabilityStatementProvider(r, dao, s, spr, vs));
    r.setPagingProvider(paging);
    ServletRegistrationBean<RestfulServer> b = new ServletRegistrationBean<>(r, "/fhir/*");
    b.setLoadOnStartup(1);
    return b;
  }
}
